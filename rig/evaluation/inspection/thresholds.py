"""Every threshold of soundness and findings, by story. Rules compare with these names, never with numbers.

It must never hold a limit of a part: those are the part file's. Volts, ohm, kelvin as named; shares are relative.
"""

from __future__ import annotations

import math

# records
COPIES_BY_ACCIDENT = 0.1  # share of a series; more copies than that are no accident of writing
DRIVEN_CODES = 50  # peak to peak: less is a silent record
WHOLE_TURNS = 1e-9  # how near to a whole number of electrical turns two positions are alike

# direct current
LEAD_ZERO_OHM = {2: 1.0, 4: 0.02}  # by wires
CHECK_RESISTOR_SHARE = 5e-3
AIR_DRIFT_K = 1.0
COPPER_GOOD_K = 5.0  # a nominal resistance is good to two per cent
COPPER_SPEAKS_K = 6.0  # of a smaller difference the copper says nothing
COPPER_APART = 2.0  # times nearer to the air than to the thermistor
TREND_SHARE = 2e-4  # of a coil's resistance over its repeats, all one way
FEWEST_REPEATS = 3

# excitation
MISSING_SHARE_OF_LEVEL = 0.3
LEVEL_SHARE = 0.05
LOAD_FACTORS = (2.0, 0.5)
LOAD_SHARE = 0.06  # how near to a factor
FREQUENCY_SHARE = 3e-4  # against what the rig set
FREQUENCY_SHARE_STATED = 0.02  # against what a person or a part file says of a recording
DISTORTED, USELESS = 0.02, 0.10  # distortion at the coil
SEEN_BY_PART = 0.3  # of the distortion at the coil, in the outputs: below, the voltage's own channel bends it
RESTART_SHARE = 2e-5  # step of one capture's own frequency
RESTART_U = 10.0  # of its standard uncertainty
FEW_RESTARTS = 0.02  # share of the captures

# sampler
SILENT_RATIO = 0.01
SILENT_SIGNALS = 3.0  # of SILENT_RATIO: an output that is there
LOW_SHARE = 0.3  # of the other output
CLIP_GROWTH = 0.004  # of harmonics with the level, over the fundamental
NEAR_FULL, HALF_LEVEL = 0.95, (0.35, 0.65)  # of an output's largest, where its harmonics are compared
OUTPUT_THERE_V = 0.1
FEW_STILL_RECORDS = 2
LINE_SHARE = 0.005  # of the carrier: a foreign line worth a remark
ANGLE_HARM_RAD = 3e-4  # about one arcminute, electrical
HIDDEN_RAD = 1e-3  # a background this large hides harmful pick-up, noise or not
NOISE_SIGMAS = 4.0  # a background beyond its own noise by less is no pick-up
OUTPUT_THERE_RATIO = 0.05
CURRENT_NOISES = 10.0  # of the current channel's noise
GAIN_WINDOW = 0.03
SKEW_WINDOW_S = 1e-6
CROSSTALK_SHARE = 5e-4
CROSSTALK_SCATTERS = 4.0  # what is not in step with the carrier is no crosstalk
AMBIGUOUS_RAD = math.radians(60.0)  # a phase of 120 deg and beyond looks like one of this size
QUESTION_U = 1.5  # of U: an imbalance below it may be scatter
SKEW_DEG = 1.0  # of the carrier, where the frequency is not known
LEAST_OUTPUT_SHARE = 0.1  # of both together: an output whose phase can be told

# axis and turn
COUPLED = 0.02  # ratio below which an output carries nothing of the rotor
STILL_SHARE = 0.02  # of the largest ratio: an output that does not move
MOST_LOBES = 24
ORDER_NOISES, POINTS_PER_ORDER = 12.0, 6
CLOSURE_MECH_ARCMIN = 4.0  # of a single pass; both together tell drift from slip (rig/evaluation/turn/slip.py)
HYSTERESIS_FACTOR, LEAST_HYSTERESIS_MECH_ARCMIN = 6.0, 6.0
WHOLE_PAIRS = 0.02
LEAST_SCORE = 0.7  # of the pole pairs: points that agree, however crooked the curve
POWER_OF_TWO, SURE_SCORE = 0.02, 0.9
LEAST_AMPLITUDE = 0.1
CLEAN_ELEC_ARCMIN = 300.0
JUMP_USUALS, LEAST_JUMP_ELEC_ARCMIN, FEWEST_FOR_JUMP = 12.0, 60.0, 8
MISSING_POINTS_SHARE = 0.02
GAP_PARTS = 8  # of an electrical turn: a gap wider than one part is wide
DISTURBED_SHARE = 0.02
FEWEST_SHARED = 8  # positions of both passes; below, they were made on grids of their own
FEWEST_FOR_GAPS, FEWEST_FOR_GRID = 4, 24
AC_OVER_DC = 0.93  # of a coil's DC resistance, in phase at the excitation's frequency

ENCODER_AGREES_MECH_DEG = 0.2

# magnetics
FEWEST_FOR_RIPPLE, FEWEST_FOR_MODEL = 24, 48  # points of a turn
STRONG_SHARE = 0.3  # of the strongest order
TOLD_SHARE = 0.5  # of the healthy part's misfit

SURE_SCALE = 0.005  # of the ratio: its standard uncertainty from which a wrong scale is told without a clean curve
WHOLE_U = 4.0  # standard uncertainties of the turns counted, within which they are whole
CLOSING_NOISES = 5.0  # of two points, what a turn may stay open by

# kind and neighbours
NOT_RESOLVER_DEG = 20.0  # of orthogonality
LEFT_MATTERS = 0.3  # of U of the largest error: an order left out of its model
NOT_ONE_SPEED = 0.15  # scatter about the ellipse, of the larger output
JUMP_ELEC_RAD = math.radians(1.0)
USUAL_FACTOR = 12.0  # times the usual step between neighbours
STEP_FIT = 0.05  # of four full steps, within which a jump is whole
NEIGHBOURS_MECH_RAD = 1.0  # records further apart are no neighbours
LEAST_RECORDS, LEAST_STEPS = 8, 12
GOES_BACK = 0.5  # of how far a record is off: its neighbours are nearer to each other
SWAPPED_SCATTERS = 5.0

# seat
SEAT_QUADRATURE = 0.01  # of the maximum: above it a closed turn or a leak is about
LEAST_OFFSET = 0.04  # of the mean gap
EXPLAINED = 0.5  # of what a healthy part leaves unexplained
MATCH_SHARE = 0.02
NEAR_ERROR_LIMIT = 0.7  # of the upper limit
NEAR_LOWER, NEAR_UPPER = 1.01, 0.99  # of a ratio's limit

# findings
QUADRATURE = 0.005
LEAST_QUADRATURE = 0.001  # below, the magnetic model is not asked
LEAST_TURNS_SHARE = 0.02
COIL_LEAK_OHM = 1e6  # a leak between coils below leaves a quadrature
PHASES_APART_DEG = 0.1
INDUCTANCE_APART = 0.003
CONTACT_INDUCTANCE = 0.03  # a contact leaves the inductance as its sibling's within this
CONTACT_SHARE = 0.02  # of the coil's resistance, at which a contact is worth a word
THERMISTOR_SHORT_OHM, THERMISTOR_SHORT_SHARE = 20.0, 0.01  # below either, of its ohms at 25 degC: no temperature
THERMISTOR_APART_K = 2.5
OPEN_OHM = 20e6  # from here on a path is open
WET_LEAKS, ALIKE_LEAKS = 4, 2
ONE_LEAK_SHARE = 0.5  # of the next lowest: one path alone
POSITIONER_TIMES = 1.5
MAGNET_LEAST_V = 2e-4  # peak; below, a sampler's drift and pick-up look alike
MAGNET_NOISES = 6.0
BOTH_RATIOS = 2
