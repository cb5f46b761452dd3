"""What the terminal shows of a supplier: our own suspects first, then his lots, failures, means, claims, severities."""

from __future__ import annotations

from rig.certificate.words.wording import find_measurand, number, short_name
from rig.review.lots.supplier import SupplierView
from rig.uncertainty.rounding import round_result

MOST_CLAIMS = 20


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
        figures = round_result(mean.mean, mean.U)[:2] if mean.U else (number(mean.mean, 4), "0")
        unit = find_measurand(mean.measurand).unit
        spread = f", s {number(mean.s, 2)}" if mean.s is not None else ""
        name = short_name(mean.measurand, alone=True)
        text.append(f"  {mean.lot} {name}: {figures[0]} ± {figures[1]} {unit} (n {mean.n}{spread})")
    for claim in sorted(found.claims, key=lambda one: -abs(one.En))[:MOST_CLAIMS]:
        agree = "agree" if abs(claim.En) <= 1.0 else "DISAGREE"
        name = short_name(claim.measurand, alone=True)
        both = f"claimed {claim.claimed:g}, measured {number(claim.measured, 5)}"
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
