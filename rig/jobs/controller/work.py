"""What a controller does for an ask: a run, a watch, a night; and the words in which it ended.

It knows no socket: `Live` is the onlooker of the work like any other.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig.control.step import Progress
from rig.errors import Cancelled, RigError
from rig.jobs import run_job as jobs
from rig.jobs.controller.ask import NIGHT, WATCH, Ask
from rig.jobs.controller.live import Live
from rig.jobs.kept.kept_run import Finished
from rig.jobs.lot.arming import when_closed
from rig.jobs.operator.arming_hand import by_hand
from rig.jobs.operator.terminal import ANY, DONE
from rig.jobs.operator.terminal import Ask as AskPerson


def bench_name(ask: Ask) -> tuple[str, bool]:
    """The name of the bench that an ask is for, and whether it exists once for each run (a world of its own)."""
    if ask.kind == NIGHT:
        return str(ask.details["bench"]), bool(ask.details.get("simulated", False))
    file = jobs.bench_and_holder(ask.run_request())[0]
    return file.name, file.world is not None


def work(ask: Ask, live: Live) -> dict[str, Any]:
    """Do what is asked; how it ended: exit_status, run, outcome, complete, fault."""
    try:
        return _do(ask, live)
    except RigError as fault:
        return {"complete": False, "exit_status": fault.exit_status, "fault": dump_fault(fault)}


def _do(ask: Ask, live: Live) -> dict[str, Any]:
    if ask.kind == NIGHT:
        return _night(ask, live)
    if ask.kind == WATCH:
        return end_of(_watch(ask, live))
    return end_of(_run(ask, live))


def _run(ask: Ask, live: Live) -> Finished:
    from rig.jobs.question.witness import before_the_report
    from rig.result import Awaited

    request = ask.run_request()
    if (lot := ask.details.get("lot")) is not None:  # the acts of a unit are scan, guard, reset, ARM: no other question
        in_sitting = when_closed(lambda text: live.progress(Progress(step="guard", text=text)))
        return jobs.run_job(
            request,
            live.progress,
            in_sitting,
            onlooker=live,
            ask=lambda _: _acts_only(live),
            details={"lot": dict(lot)},
        )

    def hands_are_there(awaited: Awaited, simulated: bool) -> bool:
        mark = " (simulated)" if simulated else ""
        question = (
            f"Rig or part? Nothing in this run tells. The {awaited.title} does, in about 20 s. {awaited.do}{mark} "
            "Done, guard closed? (no: the outcome awaits this witness)"
        )
        return live.ask(question, ("yes", "no")) == "yes"

    settle = before_the_report(hands_are_there, speed=request.speed, on_progress=live.progress)
    return jobs.run_job(request, live.progress, arm(live), settle, onlooker=live, ask=lambda _: live.ask)


def _night(ask: Ask, live: Live) -> dict[str, Any]:
    from rig.jobs.night.night import Night
    from rig.jobs.night.notices import send
    from rig.jobs.night.queue import Queue

    night = Night(
        Queue(),
        float(ask.details["for_s"]),
        live.progress,
        onlooker=live,
        arm=lambda bench, for_s: by_hand(bench, for_s, night=True, told=live.arming),
        told=live.night,
        notify=send,
    )
    live.on_stop = night.stop
    live.on_hold = lambda by: night.hold(by)
    outcome = night.run()
    refused = send("night ended", {"ended": outcome.ended, "looks": len(outcome.entries)})
    document = {**outcome.document(), "notices_refused": refused}
    return {"complete": True, "exit_status": outcome.exit_status, "night": document, "fault": None}


def _acts_only(live: Live) -> AskPerson:
    """What a bench needs of hands is asked; what a step would like to know is left open."""

    def ask(question: str, answers: tuple[str, ...], until: Callable[[], bool] | None = None) -> str:
        return live.ask(question, answers, until) if answers in ((DONE,), (ANY,)) else ""

    return ask


def _watch(ask: Ask, live: Live) -> Finished:
    from rig.jobs.question.questions import watch_coil

    told = ask.details["watch"]
    return watch_coil(
        ask.run_request(),
        str(told["coil"]),
        ac=bool(told["ac"]),
        seconds=float(told["seconds"]),
        onlooker=live,
        arm=arm(live),
    )


def arm(live: Live) -> jobs.Arm:
    """By a hand at the bench; what it has done so far is told to whoever looks on."""
    return lambda bench: by_hand(bench, told=live.arming)


def end_of(finished: Finished) -> dict[str, Any]:
    """A finished run in the words of the last message."""
    judgement = finished.judgement
    return {
        "complete": True,
        "exit_status": judgement.exit_status,
        "run": finished.stored.id,
        "outcome": judgement.outcome,
        "files": dict(finished.files),
        "fault": None,
    }


def dump_fault(fault: RigError) -> dict[str, Any]:
    """A fault in the words of the last message."""
    told: dict[str, Any] = {
        "kind": type(fault).__name__,
        "message": str(fault.args[0]) if fault.args else str(fault),
        "next": fault.next_action,
        "exit_status": fault.exit_status,
        "cancelled": isinstance(fault, Cancelled),
    }
    for name in ("code", "instrument"):
        if value := getattr(fault, name, ""):
            told[name] = value
    return told
