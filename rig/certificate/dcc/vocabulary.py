"""What the XML face says in the vocabulary of the DCC and of D-SI: units, methods by group, conformity, languages.

It builds no document. Units: D-SI 2.2 (prefix and unit each with a backslash); conformity: the six words of DCC 3.3.0.
A line without limit, not tested or not capable has no conformity word: it is said in a text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from rig.uncertainty.conformity import Verdict

UNITS: Mapping[str, str] = {
    "": r"\one",
    "1": r"\one",
    "%": r"\percent",
    "Ω": r"\ohm",
    "kΩ": r"\kilo\ohm",
    "MΩ": r"\mega\ohm",
    "GΩ": r"\giga\ohm",
    "V": r"\volt",
    "mV": r"\milli\volt",
    "A": r"\ampere",
    "mA": r"\milli\ampere",
    "H": r"\henry",
    "mH": r"\milli\henry",
    "µH": r"\micro\henry",
    "Hz": r"\hertz",
    "°": r"\degree",
    "°C": r"\degreecelsius",
    "K": r"\kelvin",
    "mm": r"\milli\metre",
}
CONFORMITY: Mapping[str, str] = {
    Verdict.PASS.value: "pass",
    Verdict.CONDITIONAL_PASS.value: "conditionalPass",
    Verdict.CONDITIONAL_FAIL.value: "conditionalFail",
    Verdict.FAIL.value: "fail",
}
METHODS: Mapping[str, str] = {
    "coils": "Four-wire resistance with both polarities, brought to 20 °C with the copper constant 234.5.",
    "thermistor": "Resistance at the multimeter's own current; temperature by the curve in the part file.",
    "leak": "Resistance at the multimeter's own low voltage between windings and core.",
    "excitation": "Sampled through the calibrated divider and shunt; fundamental and harmonics by sine fit.",
    "impedance": "Complex ratio of fundamental voltage and current at the coil, other coils open.",
    "ratio": "Complex ratio of output and excitation fundamentals at every position of a turn, least squares.",
    "null": "Zero crossings of the in-phase part over the turn; what is left there, as rms.",
    "angle": "Sweep of a whole turn in steps in both directions; arc tangent of the signed envelopes against the axis.",
    "rig": "Comparison of both passes and of the closing point.",
    "other": "As the sequence describes.",
}
_LANGUAGES = (  # ISO 639-1, as the rules of the DCC list them
    "aa ab ae af ak am an ar as av ay az ba be bg bi bm bn bo br bs ca ce ch co cr cs cu cv cy da de dv dz ee el en eo "
    "es et eu fa ff fi fj fo fr fy ga gd gl gn gu gv ha he hi ho hr ht hu hy hz ia id ie ig ii ik io is it iu ja jv ka "
    "kg ki kj kk kl km kn ko kr ks ku kv kw ky la lb lg li ln lo lt lu lv mg mh mi mk ml mn mr ms mt my na nb nd ne ng "
    "nl nn no nr nv ny oc oj om or os pa pi pl ps pt qu rm rn ro ru rw sa sc sd se sg si sk sl sm sn so sq sr ss st su "
    "sv sw ta te tg th ti tk tl tn to tr ts tt tw ty ug uk ur uz ve vi vo wa wo xh yi yo za zh zu"
)
_COUNTRIES = (  # ISO 3166-1 alpha-2
    "AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ BL BM BN BO BQ BR BS BT BV BW BY BZ CA "
    "CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ DK DM DO DZ EC EE EG EH ER ES ET FI FJ FK FM FO FR GA "
    "GB GD GE GF GG GH GI GL GM GN GP GQ GR GS GT GU GW GY HK HM HN HR HT HU ID IE IL IM IN IO IQ IR IS IT JE JM JO JP "
    "KE KG KH KI KM KN KP KR KW KY KZ LA LB LC LI LK LR LS LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO MP MQ MR MS "
    "MT MU MV MW MX MY MZ NA NC NE NF NG NI NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW PY QA RE RO RS "
    "RU RW SA SB SC SD SE SG SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG TH TJ TK TL TM TN TO TR TT TV TW "
    "TZ UA UG UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM ZW"
)
LANGUAGES, COUNTRIES = frozenset(_LANGUAGES.split()), frozenset(_COUNTRIES.split())
_PREFIXES = "deca hecto kilo mega giga tera peta deci centi milli micro nano pico femto"
_UNIT_NAMES = (
    "metre kilogram gram second ampere kelvin mole candela one day hour minute degree arcminute arcsecond hectare "
    "litre tonne electronvolt neper bel decibel hertz radian steradian newton pascal joule watt coulomb volt farad ohm "
    "siemens weber tesla henry degreecelsius lumen lux becquerel gray sievert katal percent ppm bit byte"
)
PREFIXES, UNIT_NAMES = frozenset(_PREFIXES.split()), frozenset(_UNIT_NAMES.split())


def is_unit(token: str) -> bool:
    r"""Whether a token is made of D-SI units: \milli\volt, \metre\tothe{2}, \volt\per\ampere."""
    parts = re.findall(r"\\([a-zA-Z]+)(\{[-+]?[\d.]+\})?", token)
    if not parts or "".join(f"\\{name}{power}" for name, power in parts) != token:
        return False
    pending = False
    for name, power in parts:
        if name in PREFIXES and not power:
            if pending:
                return False
            pending = True
        elif name in UNIT_NAMES and not power:
            pending = False
        elif not (name == "tothe" and power) and name != "per":
            return False
    return not pending
