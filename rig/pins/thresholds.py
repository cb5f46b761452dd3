"""The thresholds of the search for pins, each once: ohms between two pins and what is read from them.

Resistances in ohm, leads taken off. Values hold for a meter at 1 mA or less and for windings of resolvers (0.5 ohm to
1 kohm); the tests of the room show what each is worth on invented parts.
"""

# ---- one pair of pins
JOINED_OHM = 0.5  # below: one piece of wire; a coil that reads so little is a short
JOINED_WITH_LEADS_OHM = 1.0  # the same while the leads are still in the reading
COIL_OHM = 1e3  # below: a winding, or a sensor that looks like one
SENSOR_OHM = 500e3  # below: a thermistor may be
LIVE_OHM = -0.5  # a reading below says that the pair carries a voltage
LIVE_V = 0.05  # most that may stand between two pins before anything is switched on
POLARITY_RELATIVE, POLARITY_OHM = 0.03, 0.1  # both polarities further apart: a semiconductor
SAME_RELATIVE, SAME_OHM = 0.05, 0.1  # two readings of one pair further apart: they contradict each other

# ---- several pairs
SUM_RELATIVE, SUM_OHM = 0.03, 0.3  # a pair is the sum of the coils between its pins within this
LEAD_MOST_OHM = 0.6  # lead resistance that a reading may hold where nothing says that it was taken off
LEAST_UNZEROED_OHM = 3.0  # a smaller circuit can't be judged with the leads in
LEAD_SEEN_OHM, LEAD_SEEN_SHARE = 0.05, 0.5  # lead resistance that sums give away is worth a word between these
STAR_RELATIVE = 0.10  # three pairs alike within this: a three-wire star or ring
WET_SHARE, WET_COUPLES = 0.5, 3  # share and number of couples that should be apart and conduct: moisture
LEAK_BLOCKS_OHM = 1e4  # a leak of a driven coil below: nothing is driven
ELECTRONICS_CIRCUITS = 3  # kiloohms or semiconductors and no coil: electronics

# ---- which coil is the excitation, by resistance
ALIKE = 0.06  # of the logarithms: three coils this near are alike
PAIR_MOST, ODD_LEAST, ODD_TIMES = 0.12, 0.06, 2.5  # the pair's own distance, the odd one's, and their ratio
STRONG_PAIR, STRONG_ODD = 0.05, 0.3  # the same where it is beyond doubt
DOUBTFUL_COIL_OHM = 400.0  # an excitation coil rarely has more
TWO_SPEED_ALIKE = 1.06  # ratio within which each two of four coils are a pair
SLACK_RELATIVE = 0.04  # besides a nominal's tolerance: 10 K of room temperature either way

# ---- the low-level AC test
LEAST_POINTS = 8
RECIPROCITY = 0.01  # both ways of a link agree within this
MOVES = 0.02  # of the middle impedance: a smaller coupling does not move with the rotor
WEAKEST = 0.5  # the weakest link over the next one
ORTHOGONAL_ELEC_DEG, EQUAL_PEAKS = 10.0, 0.15
LEAST_PHASE_DEG = 8.0  # of an impedance: below, there is no winding in it
LARGEST_GAP_ELEC_DEG = 75.0  # between neighbouring angles: above, less than a cycle was passed

# ---- a reading held by hand
SETTLED_RELATIVE, SETTLED_OHM, SETTLED_COUNT, LIFTED_COUNT = 0.005, 0.02, 4, 2
