"""A null of exactly zero is printed in the unit that its uncertainty reads well in."""

from rig.certificate.words.wording import display
from rig.result import Judged, Result
from rig.uncertainty.conformity import Verdict


def test_a_null_of_zero_is_printed_in_millivolts() -> None:
    """0.0000 with U 0.0052 mV, and not seven zeros of volts."""
    result = Result(measurand="null_total_sin_v", estimate=0.0, unit="V", u=2.6e-6, k=2.0, dof=None)
    line = Judged(measurand="null_total_sin_v", result=result, limit=None, verdict=Verdict.NO_LIMIT)
    shown = display(line)
    assert (shown.estimate, shown.U, shown.unit) == ("0.0000", "0.0052", "mV")
