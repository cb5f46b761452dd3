"""What the terminal shows of a supplier: our own suspects first, then his lots, failures, means, claims, severities."""

from __future__ import annotations

from rig.certificate.words.wording import find_measurand, minus, number, scale_of, short_name, unit_suffix
from rig.review.lots.supplier import LotMean, SupplierView
from rig.uncertainty.rounding import round_result

MOST_CLAIMS = 20


def _figures(mean: LotMean) -> str:
    """A lot's mean as on paper, its U and the spread of the units."""
    U = mean.U or 0.0
    scale = scale_of(find_measurand(mean.measurand), max(abs(mean.mean), U))
    unit = unit_suffix(scale.unit)
    shown = number(mean.mean * scale.factor, 5)
    if U:
        shown = " ± ".join(minus(one) for one in round_result(mean.mean * scale.factor, U * scale.factor)[:2])
    spread = f", s {number(mean.s * scale.factor, 2)}{unit}" if mean.s is not None else ""
    return f"{shown}{unit} (n {mean.n}{spread})"


def rows(found: SupplierView) -> list[str]:
    """A supplier's page."""
    text = [found.supplier, *(["SIMULATED: no part was measured"] if found.is_simulated else [])]
    text += ["our own open questions first:", *(f"  {told}" for told in found.suspects)] if found.suspects else []
    for lot in found.lots:
        again = f", comes again after {lot['resubmitted']}" if lot["resubmitted"] else ""
        decided = f", {lot['decision']}" if lot["decision"] else ""
        text.append(f"lot {lot['lot']}  {lot['part']}  {lot['delivered']} delivered: {lot['answer']}{decided}{again}")
    for share in found.shares:
        low, high = (f"{100 * end:.1f}" for end in share.interval)
        text.append(f"  {share.lot} {share.group}: {share.bad} bad of {share.n} (95 %: {low} to {high} %)")
    for mean in found.means:
        text.append(f"  {mean.lot} {short_name(mean.measurand, alone=True)}: {_figures(mean)}")
    for claim in sorted(found.claims, key=lambda one: -abs(one.En))[:MOST_CLAIMS]:
        agree = "agree" if abs(claim.En) <= 1.0 else "DISAGREE"
        name = short_name(claim.measurand, alone=True)
        scale = scale_of(find_measurand(claim.measurand), max(abs(claim.claimed), abs(claim.measured)))
        shown = (number(value * scale.factor, 5) + unit_suffix(scale.unit) for value in (claim.claimed, claim.measured))
        both = "claimed {}, measured {}".format(*shown)
        text.append(f"  {claim.lot} {claim.serial} {name}: {both}, E_n {claim.En:.2f}, {agree}")
    if found.claims:
        text.append("  a claim without an uncertainty is taken as exact")
    for id_, index in found.indices.items():
        ends = index.cpk_interval
        name = short_name(id_, alone=True)
        text.append(f"  {name}: Cpk {index.cpk:.2f} (95 %: {ends[0]:.2f} to {ends[1]:.2f}, n {index.n})")
    for part, groups in found.series.items():
        for group, steps in groups.items():
            state = steps[-1].state
            stopped = ", STOPPED" if state.stopped else ""
            text.append(f"severity of {part}, {group}: {state.severity}{stopped} ({state.why})")
            text += [f"    {step.at_utc[:10]} {step.what}: {step.event} -> {step.state.severity}" for step in steps]
    return text
