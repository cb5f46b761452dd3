"""What the main job promised, with figures: python tests/shows/main_job.py [--quick]

Each check prints its figures and says ok or SHORT; the exit status is non-zero when one falls short.
--quick (under a minute) is what .ci/run takes; the whole (under an hour) is run before a release and its figures kept.
Everything goes through the command line, as a user would, in a home of its own.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from runner import Check, controller_of, run_checks

TOP = Path(__file__).parents[2]
WORK = Path(tempfile.mkdtemp(prefix="anglewright-show-"))
QUICK = "--quick" in sys.argv
COVERED = (
    "r20_exc",
    "r20_sin",
    "r20_cos",
    "r20_match",
    "tr_sin",
    "tr_cos",
    "tr_imbalance",
    "phase_sin_deg",
    "phase_cos_deg",
)
COVERED += ("phase_difference_deg", "orthogonality_elec_deg", "centre_sin", "centre_cos", "error_max_elec_arcmin")
COVERED += (
    "error_max_mech_arcmin",
    "error_span_elec_arcmin",
    "error_rms_elec_arcmin",
    "z_exc_mod",
    "z_exc_phase_deg",
    "l_exc",
    "q_exc",
)
COVERED += (
    "z_sin_mod",
    "z_cos_mod",
    "l_sin",
    "l_cos",
    "null_fund_sin_v",
    "null_fund_cos_v",
    "null_total_sin_v",
    "null_total_cos_v",
)
COVERED += ("quadrature_sin", "quadrature_cos", "thermistor_ohm")


def anglewright(*words: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """The command as a user calls it, in this show's own home."""
    env = os.environ | {"ANGLEWRIGHT_HOME": str(WORK / "home")}
    return subprocess.run(
        [sys.executable, "-m", "rig", *words], cwd=WORK, env=env, capture_output=True, text=True, check=False, **more
    )


def judged(*words: str) -> dict[str, Any]:
    """A run's --json document."""
    done = anglewright("run", *words, "--json")
    try:
        document: dict[str, Any] = json.loads(done.stdout)
    except json.JSONDecodeError:
        raise SystemExit(
            f"run {words} printed no document (status {done.returncode}):\n{done.stdout[-500:]}\n{done.stderr[-2000:]}"
        ) from None
    document["status"] = done.returncode
    return document


def truth(world: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(anglewright("bench", "truth", world).stdout)
    return document


def world_file(name: str, base: str, **sections: dict[str, Any]) -> str:
    """A packaged world with some keys set anew, written beside this show."""
    text = (TOP / "fixtures" / "worlds" / f"{base}.toml").read_text()
    for section, keys in sections.items():
        for key, value in keys.items():
            line = f"{key} = {json.dumps(value)}"
            pattern = re.compile(rf"^{key}\s*=.*$", re.MULTILINE)
            if section == "top":
                text = pattern.sub(line, text, count=1) if pattern.search(text) else f"{line}\n{text}"
                continue
            header = f"[{section.replace('__', '.')}]"
            text = text.replace(header, f"{header}\n{line}", 1) if header in text else f"{text}\n{header}\n{line}\n"
    path = WORK / f"{name}.toml"
    path.write_text(text)
    return str(path)


def figures(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["measurand"]: row for row in document["results"]}


# ---- the checks --------------------------------------------------------------------------------------------------


def fresh_clone() -> Iterator[tuple[bool, str]]:
    """On a fresh clone README's first command ends with a certificate and its verdict printed; the second passes."""
    clone = WORK / "clone"
    subprocess.run(["git", "clone", "-q", str(TOP), str(clone)], check=True)
    blocks = re.findall(r"^```\w*\n(.*?)^```", (clone / "README.md").read_text(), re.MULTILINE | re.DOTALL)
    env = {k: v for k, v in os.environ.items() if k not in ("VIRTUAL_ENV", "PYTHONPATH")} | {
        "ANGLEWRIGHT_HOME": str(WORK / "clone-home")
    }
    start = time.monotonic()
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", blocks[0]], cwd=clone, env=env, capture_output=True, text=True, check=False
    )
    paths = [Path(path) for path in re.findall(r"\S+\.pdf", done.stdout)]
    there = [path for path in paths if path.is_file() and path.read_bytes()[:5] == b"%PDF-"]
    verdict = "within limits" in done.stdout
    yield (
        done.returncode == 0 and bool(there) and verdict,
        (
            f"README's first command: status {done.returncode}, {time.monotonic() - start:.0f} s, "
            f"PDF {there[:1]}, verdict printed: {verdict}"
        ),
    )
    if done.returncode:
        print(done.stdout[-1500:], done.stderr[-1500:])
    start = time.monotonic()
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", blocks[1]], cwd=clone, env=env, capture_output=True, text=True, check=False
    )
    yield done.returncode == 0, f"README's second command: status {done.returncode}, {time.monotonic() - start:.0f} s"
    if done.returncode:
        print(done.stdout[-3000:], done.stderr[-1500:])


def coverage(seeds: int) -> Iterator[tuple[bool, str]]:
    """Good part: the stated intervals hold the truth."""
    inside = total = 0
    worst: tuple[float, str] = (0.0, "")
    outcomes = []
    for seed in range(1, seeds + 1):
        world = world_file(f"seed{seed}", "good_4", top={"seed": seed})
        document = judged("full_test", "--part", "KX4-2207", "--serial", f"COV-{seed:02d}", "--world", world)
        outcomes.append(document["outcome"])
        true = truth(world)["as_clamped"]
        for id_, row in figures(document).items():
            if id_ not in COVERED or row["U"] is None or row["estimate"] is None or true.get(id_) is None:
                continue
            ratio = (
                abs(row["estimate"] - true[id_]) / row["U"] if row["U"] > 0 else float(row["estimate"] != true[id_]) * 9
            )
            total, inside = total + 1, inside + (ratio <= 1)
            if ratio > 1:
                print(
                    f"      seed {seed}: {id_} estimate {row['estimate']:.6g} truth {true[id_]:.6g} "
                    f"U {row['U']:.2g} ({ratio:.2f} U)"
                )
            worst = max(worst, (ratio, f"{id_} of seed {seed}"))
    share = inside / max(total, 1)
    yield (
        share >= 0.90 and total >= 10 * seeds,
        f"{seeds} good parts: {inside} of {total} intervals hold the truth ({100 * share:.1f} %)",
    )
    yield worst[0] <= 2.0, f"worst miss {worst[0]:.2f} U ({worst[1]})"
    good = outcomes.count("within limits")
    yield good == seeds, f"{good} of {seeds} good parts within limits"


def positioner() -> Iterator[tuple[bool, str]]:
    """With an encoder the curve is right to 0.3' el rms (orders 2 and up); open loop, U says what the stepper costs."""
    seeds = (1, 2, 3)
    rms = []
    for seed in seeds:
        world = world_file(f"enc{seed}", "encoder_4", top={"seed": seed})
        document = judged("full_test", "--part", "KX4-2207", "--serial", f"ENC-{seed}", "--world", world)
        rms.append(curve_rms_elec_arcmin(document, truth(world)))
        u_encoder = figures(document)["error_max_elec_arcmin"]["U"]
    yield (
        max(rms) <= 0.3,
        f"with encoder: curve against truth, orders 2 and up, rms {', '.join(f'{r:.3f}' for r in rms)} arcmin el; "
        f"U(max) {u_encoder:.2f}",
    )
    for seed in seeds:
        world = world_file(f"open{seed}", "good_4", top={"seed": seed})
        row = figures(judged("full_test", "--part", "KX4-2207", "--serial", f"OPEN-{seed}", "--world", world))[
            "error_max_elec_arcmin"
        ]
        true = truth(world)["as_clamped"]["error_max_elec_arcmin"]
        yield (
            abs(row["estimate"] - true) <= row["U"] and row["U"] > 3 * u_encoder,
            (
                f"open loop, seed {seed}: {row['estimate']:.1f} arcmin el, truth {true:.1f}, U {row['U']:.1f} "
                f"(encoder {u_encoder:.2f})"
            ),
        )


def curve_rms_elec_arcmin(document: dict[str, Any], true: dict[str, Any]) -> float:
    """The rms difference of the run's error curve and the true one, orders 0 and 1 (mechanical) removed from both."""
    curves = json.loads(Path(document["files"]["record"]).read_text())["judgement"]["curves"]
    angle = np.radians(np.asarray(curves["angle_mech_deg"]))
    measured = np.asarray(curves["error_mean_elec_arcmin"])
    at = np.interp(
        angle % (2 * np.pi),
        np.radians(true["curve"]["angle_mech_deg"]),
        true["curve"]["error_elec_arcmin"],
        period=2 * np.pi,
    )
    basis = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    difference = measured - at
    difference = difference - basis @ np.linalg.lstsq(basis, difference, rcond=None)[0]
    return float(np.sqrt(np.mean(difference**2)))


def faults() -> Iterator[tuple[bool, str]]:
    """The shorted part, the corroded pin and the off-centre clamping come out for the right reasons."""
    document = judged("full_test", "--part", "KX4-2207", "--serial", "SHORT-1", "--world", "shorted_sine")
    first = [finding["code"] for finding in document["findings"]][:1]
    yield (
        document["outcome"] == "outside limits" and first == ["shorted-turns"],
        f"shorted turns: {document['outcome']}, first finding {first}",
    )
    document = judged("full_test", "--part", "KX2-1184", "--serial", "SEAT-1", "--world", "off_centre_2")
    reasons = {reason["code"]: reason["next"] for reason in document["reasons"]}
    again = "re-seat" in reasons.get("seat-off-centre", "").lower()
    yield (
        document["outcome"] == "unsound measurement" and again,
        f"off centre: {document['outcome']}, reasons {reasons}",
    )
    if not QUICK:
        yield from more_faults()


def more_faults() -> Iterator[tuple[bool, str]]:
    """The corroded pin, and the off-centre part seated again."""
    document = judged("full_test", "--part", "KX4-2207", "--serial", "PIN-1", "--world", "corroded_pin")
    named = [finding["code"] for finding in document["findings"]]
    yield (
        document["outcome"] == "outside limits" or "contact-resistance" in named[:1],
        f"corroded pin: {document['outcome']}, findings {named}",
    )
    yield "contact-resistance" in named[:1], f"corroded pin named first: {named[:1]}"
    document = judged(
        "full_test", "--part", "KX2-1184", "--serial", "SEAT-1", "--world", "off_centre_2", "--clamping", "2"
    )
    yield document["outcome"] == "within limits", f"the same part re-seated: {document['outcome']}"


def stops(times: int) -> Iterator[tuple[bool, str]]:
    """SIGTERM, SIGKILL, Ctrl-C in mid-sweep: generator off and axis halted within 1 s, run kept, the next run works."""
    rng = np.random.default_rng(20261125)
    for sign in (signal.SIGTERM, signal.SIGKILL, signal.SIGINT):
        slow, kept, bad = 0.0, 0, 0
        for i in range(times):
            off_s, incomplete = one_stop(sign, float(rng.uniform(0.0, 2.5)), f"{sign.name}-{i}")
            slow, kept = max(slow, off_s), kept + incomplete
            bad += off_s > 1.0
        yield (
            bad == 0 and kept == times,
            f"{sign.name} x {times}: slowest to off and halted {slow:.2f} s, runs kept incomplete {kept} of {times}",
        )
    document = judged("quick_screen", "--part", "KX4-2207", "--serial", "AFTER", "--world", "good_4")
    yield document["outcome"] in ("within limits", "undecided"), f"the next run works: {document['outcome']}"


def one_stop(sign: signal.Signals, into_sweep_s: float, serial: str) -> tuple[float, bool]:
    """Start a run, send the signal in its sweep; (seconds to safe by the log, run kept)."""
    home, log = WORK / "home", WORK / f"{serial}.log"
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
    words = [
        "run",
        "full_test",
        "--part",
        "KX4-2207",
        "--serial",
        serial,
        "--world",
        "good_4",
        "--speed",
        "fast",
        "--bench-log",
        str(log),
    ]
    run = subprocess.Popen(
        [sys.executable, "-m", "rig", *words], cwd=WORK, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline and run.poll() is None:
        if in_sweep(log):
            break
        time.sleep(0.02)
    time.sleep(into_sweep_s)
    sent = time.time()
    if sign is signal.SIGKILL:  # of the controller: the terminal is its client only
        os.kill(controller_of(home), sign)
    else:
        run.send_signal(sign)
    run.wait(timeout=120)  # the machine may be busy; what counts is the log of the world
    off = halted = None
    while time.monotonic() < deadline + 30:
        events = read_log(log)
        on = [e["wall_s"] for e in events if e["event"] == "generator_on"]
        off = next(
            (e["wall_s"] for e in events if e["event"] == "generator_off" and e["wall_s"] > max(on, default=0)), None
        )
        last_move = max((i for i, e in enumerate(events) if e["event"] == "axis_moving"), default=0)
        at_rest = ("axis_stopped", "axis_halted", "axis_released")
        halted = next((e["wall_s"] for e in events[last_move:] if e["event"] in at_rest), None)
        if off is not None and halted is not None:
            break
        time.sleep(0.05)
    listed = json.loads(anglewright("unit", "--json").stdout)["runs"]
    mine = [row for row in listed if row["serial"] == serial]
    kept = len(mine) == 1 and mine[0]["outcome"] == "incomplete"
    if off is None or halted is None:
        return 99.0, kept
    return max(off - sent, halted - sent if halted > sent else 0.0), kept


def in_sweep(log: Path) -> bool:
    events = read_log(log)
    on = [i for i, e in enumerate(events) if e["event"] == "generator_on"]
    return bool(on) and sum(e["event"] == "axis_moving" for e in events[on[-1] :]) > 12


def read_log(log: Path) -> list[dict[str, Any]]:
    if not log.exists():
        return []
    lines = log.read_text().splitlines()
    return [json.loads(line) for line in lines if line.endswith("}")]


def certificate() -> Iterator[tuple[bool, str]]:
    """The rendered certificate, for the eye: every page as PNG, the simulated mark on each."""
    pdfs = sorted((WORK / "home" / "runs").glob("*/certificate.pdf"))
    if not pdfs:
        yield False, "no run before this has left a certificate"
        return
    pdf = pdfs[0]
    if shutil.which("pdftoppm") is None:
        yield True, "pdftoppm (poppler-utils) is not here: pages NOT rendered"
        return
    subprocess.run(["pdftoppm", "-r", "80", "-png", str(pdf), str(WORK / "page")], check=True)
    text = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    pages = sorted(WORK.glob("page*.png"))
    marked = [page.upper().count("SIMULATED") > 0 for page in text.split("\f") if page.strip()]
    yield (
        all(marked) and len(marked) == len(pages),
        f"{len(pages)} pages rendered to {WORK}, {sum(marked)} marked SIMULATED",
    )


def main() -> int:
    checks: list[tuple[str, Check]] = [
        ("faults", faults),
        ("certificate", certificate),
    ]
    if QUICK:
        checks += [("coverage", lambda: coverage(1)), ("stops", lambda: stops(1))]
    else:
        checks += [
            ("coverage", lambda: coverage(10)),
            ("positioner", positioner),
            ("stops", lambda: stops(20)),
            ("fresh clone", fresh_clone),
        ]
    short = run_checks(checks)
    print(f"{'all shown' if short == 0 else f'{short} fell short'}; files in {WORK}")
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
