"""Measure how near latencies and jitter come to the physical limit, and print tables.

`python tests/benchmarks/accuracy.py [quick] [section …]`

Sections: isolated, varied, bias, overlap, presence, jitter. Potentials, noise and the bound: `tests/potentials.py`.
The peers are what one would write with general libraries; they are told within 1 ms where to look, the analysis is not.
The target is beside the figure: `met`, `short`, `short?` (by less than two standard errors), `met*` (only where found).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.analysis.jitter import MCD_PER_SD
from acq.offline import analyse
from tests.benchmarks.sections import Sections, run_sections
from tests.timing_errors import (
    Errors,
    Labels,
    analyse_scene,
    assign,
    claimed_ratio,
    equal_error,
    judge_errors,
    label_known,
    measure_batch,
    measure_by_peers,
    measure_streaming,
    missed_and_false,
    phase_bias,
    pooled_ratio,
)
from tests.timing_scenes import (
    N_SWEEPS,
    Scene,
    absent_at_random,
    gaussian_latencies_us,
    make_scene,
    one_potential,
    timed_potentials,
    two_potentials,
)

SNRS = (5, 7, 10, 20, 50, 100)
console = Console(width=150)


def show(table: Table) -> None:
    console.print(table)


def table_of(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left")
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k == 0 else "right", no_wrap=True)
    return table


def percent(value: float, digits: int = 2) -> str:
    return f"{100 * value:.{digits}f} %"


def verdict(value: float, target: float | None, error: float = 0.0, *, complete: bool = True) -> str:
    """The target and whether it is met; `short?` within two standard errors, `met*` where fibres were not found."""
    if target is None:
        return ""
    if not np.isfinite(value):
        return f"{target:g} short"
    if value <= target:
        return f"{target:g} met" + ("" if complete else "*")
    return f"{target:g} short" + ("" if value - target > 2.0 * error else "?")


def compare_methods(scenes: Sequence[Scene]) -> dict[str, list[Errors]]:
    """Every method on the same sweeps."""
    found: dict[str, list[Errors]] = {}
    for scene in scenes:
        of_each = {"batch": measure_batch(scene.recorded), "streaming": measure_streaming(scene.recorded)}
        of_each |= measure_by_peers(scene.recorded)
        for name, measured in of_each.items():
            found.setdefault(name, []).extend(judge_errors(measured, scene))
    return found


_COLUMNS = ("", "SNR", "method", "RMS / limit", "SE", "claimed / RMS", "missed", "false a sweep", "found", "target")


def add_rows(table: Table, label: str, snr: float, found: dict[str, list[Errors]], target: float | None) -> None:
    for name, errors in found.items():
        ratio, error = pooled_ratio(errors)
        missed, surplus = missed_and_false(errors)
        ours = name in ("batch", "streaming")
        table.add_row(
            label,
            f"{snr:g}",
            name,
            f"{ratio:.3f}",
            f"{error:.3f}",
            f"{claimed_ratio(errors):.2f}" if ours else "",
            percent(missed),
            percent(surplus) if ours else "",
            f"{sum(e.found for e in errors)}/{len(errors)}",
            verdict(ratio, target, error, complete=all(e.found for e in errors)) if ours else "",
        )
    table.add_section()


def study_isolated(runs: int) -> None:
    """One potential that does nothing but jitter."""
    table = table_of(
        f"One potential, {runs} recordings of {N_SWEEPS} sweeps, 50 kS/s, rise times 155 to 278 µs", *_COLUMNS
    )
    for snr in SNRS:
        scenes = [one_potential(run, snr, 1) for run in range(runs)]
        add_rows(table, "plain", snr, compare_methods(scenes), 1.15 if snr <= 5 else 1.05 if snr >= 10 else None)
    show(table)


VARIED: dict[str, tuple[dict[str, float], float]] = {
    "amplitude SD 10 %": ({"amplitude_sd": 0.1}, 1.06),
    "amplitude drift 10 %": ({"amplitude_drift": 0.1}, 1.06),
    "baseline wander 10 %": ({"wander": 0.1}, 1.06),
    "muscle noise 50 %": ({"muscle": 0.5}, 1.06),
    "20 kS/s": ({"rate_hz": 20_000.0}, 1.05),
    "100 kS/s": ({"rate_hz": 100_000.0}, 1.05),
}


def study_varied(runs: int) -> None:
    """The same with what recordings have besides. The limit is that of the usual amplitude."""
    table = table_of(f"One potential with more to it, {runs} recordings of {N_SWEEPS} sweeps", *_COLUMNS)
    for number, (label, (kind, target)) in enumerate(VARIED.items()):
        for snr in (20,) if "kS/s" in label else (20, 50):
            scenes = [one_potential(run, snr, 10 + number, **kind) for run in range(runs)]
            add_rows(table, label, snr, compare_methods(scenes), target)
    show(table)


def study_bias(runs: int) -> None:
    """Between the samples."""
    n = 100 * runs
    table = table_of(
        f"Bias against the place between two samples, {n} sweeps each, noise 1/1000 of peak to peak, µs",
        "rise", "kS/s", "method", "peak to peak", "SE", "target",
    )  # fmt: skip
    for which, fibre in enumerate(timed_potentials()):
        for rate_hz in (20_000.0, 50_000.0, 100_000.0):
            rng = np.random.default_rng([2, which, int(rate_hz)])
            for name, (bias, error) in phase_bias(rng, which=which, rate_hz=rate_hz, n=n).items():
                aim = 0.01 if name == "batch" and rate_hz >= 50_000 else None
                table.add_row(
                    f"{fibre.rise_us:.0f} µs", f"{rate_hz / 1000:g}", name, f"{bias:.4f}", f"{error:.4f}",
                    verdict(bias, aim, error),
                )  # fmt: skip
    show(table)


def study_overlap(runs: int) -> None:
    """Two potentials in each other's time. Hopeless: relative jitter less than 3 × the noise of the distance."""
    table = table_of(
        f"Two overlapping potentials, {runs} recordings of {N_SWEEPS} sweeps each, the second 0.7 to 1.3 × the first",
        "absent", "apart", "SNR", "MCDs", "RMS / limit", "target", "MCD / true", "quartiles", "target", "both",
        "surplus", "flagged",
    )  # fmt: skip
    for blocking in (True, False):
        label = "at times" if blocking else "never"
        pooled: dict[str, list[tuple[list[Errors], list[tuple[float, float]]]]] = {}
        for apart_us in (300.0, 500.0, 700.0, 1000.0):
            for snr in (20.0, 40.0):
                for mcd_us in ((10.0, 15.0), (25.0, 40.0)):
                    scenes = [
                        two_potentials(run, apart_us=apart_us, snr=snr, mcd_us=mcd_us, blocking=blocking)
                        for run in range(runs)
                    ]
                    relative_us = np.hypot(*mcd_us) / MCD_PER_SD
                    noise_us = float(np.mean([np.hypot(*np.sqrt(np.nanmean(s.bound_us**2, axis=0))) for s in scenes]))
                    identifiable = blocking or relative_us >= 3.0 * noise_us
                    found = [analyse_scene(scene) for scene in scenes]
                    errors = [e for one in found for e in one.errors]
                    jitter = [j for one in found for j in one.jitter]
                    kind = label if blocking or identifiable else label + ", hopeless"
                    pooled.setdefault(kind, []).append((errors, jitter))
                    add_overlap_row(
                        table, kind, f"{apart_us / 1000:g} ms", f"{snr:g}", f"{mcd_us[0]:g}, {mcd_us[1]:g}", errors,
                        jitter,
                        (1.10, 0.03) if blocking else (1.25, 0.08) if identifiable else (None, None),
                        [
                            percent(float(np.mean([all(e.found for e in one.errors) for one in found])), 0),
                            f"{sum(one.n_surplus for one in found)}",
                            percent(sum(one.n_flagged for one in found) / max(len(jitter), 1), 0),
                        ],
                    )  # fmt: skip
        table.add_section()
        for kind, parts in pooled.items():
            errors = [e for one in parts for e in one[0]]
            jitter = [j for one in parts for j in one[1]]
            targets = (1.10, 0.03) if blocking else (None, None) if "hopeless" in kind else (1.25, 0.08)
            add_overlap_row(
                table,
                "all: " + kind,
                "",
                "",
                "",
                errors,
                jitter,
                targets,
                [percent(float(np.mean([e.found for e in errors])), 0), "", ""],
            )
        table.add_section()
    show(table)


def add_overlap_row(
    table: Table, kind: str, apart: str, snr: str, mcd: str, errors: list[Errors], jitter: list[tuple[float, float]],
    targets: tuple[float | None, float | None], rest: list[str],
) -> None:  # fmt: skip
    ratio, error = pooled_ratio(errors)
    of_each = np.array([got / true for got, true in jitter if true > 0 and np.isfinite(got)])
    middle = float(np.mean(of_each)) if of_each.size else float("nan")
    spread = float(np.std(of_each)) / np.sqrt(max(of_each.size - 1, 1))
    low, high = np.percentile(of_each, [25, 75]) if of_each.size else (np.nan, np.nan)
    table.add_row(
        kind, apart, snr, mcd, f"{ratio:.3f} ± {error:.3f}", verdict(ratio, targets[0], error),
        f"{middle:.3f} ± {spread:.3f}", f"{low:.2f}–{high:.2f}", verdict(abs(middle - 1.0), targets[1], spread), *rest,
    )  # fmt: skip


def study_presence(runs: int) -> None:
    """Fibres that answer to some stimuli only."""
    table = table_of(
        f"Present or absent (20 to 50 % absent), potentials learnt from {N_SWEEPS} sweeps of such a recording",
        "", "SNR", "sweeps", "learnt", "missed", "false", "mean of both", "equal error", "target",
    )  # fmt: skip
    for snr in (5, 7, 10, 20):
        got = []
        kinds = timed_potentials()
        for run in range(runs):
            rng = np.random.default_rng([4, snr, run])
            usual = [float(rng.uniform(4000, 9000))]
            got.append(label_known(rng, fibres=[kinds[run % 5]], usual_us=usual, snr=snr, n=2000))
        add_presence_row(
            table, "one, looked for when known", snr, got, {5: 0.005}.get(snr, 0.0001 if snr >= 10 else None)
        )
    table.add_section()
    for snr in (5, 7, 10, 20):
        for name, method in (
            ("whole recordings, batch", measure_batch),
            ("whole recordings, streaming", measure_streaming),
        ):
            errors = []
            for run in range(runs):
                rng = np.random.default_rng([5, snr, run])
                usual = [float(rng.uniform(4000, 9000))]
                latency = absent_at_random(rng, gaussian_latencies_us(rng, n=N_SWEEPS, mcd_us=[17.0], usual_us=usual))
                scene = make_scene(rng, fibres=[timed_potentials()[run % 5]], latency_us=latency, snr=[float(snr)])
                errors += [e for e in judge_errors(method(scene.recorded), scene) if e.found]
            aim = {5: 0.005}.get(snr, 0.0001 if snr >= 10 else None)
            n_absent = sum(e.n_sweeps - e.n_present for e in errors)
            missed = sum(e.n_missed for e in errors) / max(sum(e.n_present for e in errors), 1)
            surplus = sum(e.n_false for e in errors) / max(n_absent, 1)
            table.add_row(
                name, f"{snr}", f"{N_SWEEPS * len(errors)}", f"{len(errors)}/{runs}", percent(missed, 3),
                percent(surplus, 3), percent(0.5 * (missed + surplus), 3), "",
                verdict(0.5 * (missed + surplus), aim, complete=len(errors) == runs),
            )  # fmt: skip
    show(table)
    table = table_of(
        "Two overlapping potentials, 20 to 50 % of each absent: which of the four states",
        "apart", "SNR", "sweeps", "learnt", "wrong state", "SE", "target",
    )  # fmt: skip
    for apart_us in (400.0, 700.0):
        for snr in (5, 7, 10, 20):
            wrong, learnt = [], 0
            for run in range(runs):
                rng = np.random.default_rng([6, snr, run, int(apart_us)])
                usual_us = float(rng.uniform(4000, 9000))
                kinds = timed_potentials()[:4]
                fibres = [kinds[run % 4], kinds[(run + 1 + run // 4) % 4]]
                one = label_known(rng, fibres=fibres, usual_us=[usual_us, usual_us + apart_us], snr=snr, n=1000)
                if one is not None:
                    learnt += 1
                    wrong.append(float(np.mean((one.truth != one.decided).any(axis=1))))
            share = float(np.mean(wrong)) if wrong else float("nan")
            error = float(np.std(wrong)) / np.sqrt(max(len(wrong) - 1, 1))
            table.add_row(
                f"{apart_us / 1000:g} ms", f"{snr}", f"{1000 * learnt}", f"{learnt}/{runs}", percent(share, 3),
                percent(error, 3),
                verdict(share, {5: 0.03, 10: 0.001, 20: 0.001}.get(snr), error, complete=learnt == runs),
            )  # fmt: skip
    show(table)


def add_presence_row(table: Table, label: str, snr: int, got: list[Labels | None], target: float | None) -> None:
    kept = [one for one in got if one is not None]
    if not kept:
        table.add_row(label, f"{snr}", "0", f"0/{len(got)}", "", "", "", "", verdict(float("nan"), target))
        return
    truth, decided, odds = (np.concatenate([one[k] for one in kept])[:, 0] for k in range(3))
    missed = float(np.mean(~decided[truth]))
    wrong = float(np.mean(decided[~truth]))
    table.add_row(
        label, f"{snr}", f"{truth.size}", f"{len(kept)}/{len(got)}", percent(missed, 3), percent(wrong, 3),
        percent(0.5 * (missed + wrong), 3), percent(equal_error(odds, truth), 3),
        verdict(0.5 * (missed + wrong), target, complete=len(kept) == len(got)),
    )  # fmt: skip


def study_jitter(runs: int) -> None:
    """Whole recordings. Bias is against the MCD of the very latencies over the same pairs, coverage of the fibre's."""
    table = table_of(
        f"Jitter of whole recordings, {runs} each",
        "n", "SNR", "MCD", "MCD noise", "raw / true", "corrected / true", "SE", "target", "covered", "below resolution",
    )  # fmt: skip
    covered_all, counted_all = 0, 0
    for n in (50, 100):
        for snr, mcd_us in (
            (10.0, 10.0),
            (10.0, 20.0),
            (20.0, 10.0),
            (20.0, 20.0),
            (20.0, 40.0),
            (50.0, 5.0),
            (50.0, 20.0),
        ):
            rows = []
            for run in range(runs):
                rng = np.random.default_rng([7, n, int(snr), int(mcd_us), run])
                latency = gaussian_latencies_us(rng, n=n, mcd_us=[mcd_us], usual_us=[float(rng.uniform(4000, 9000))])
                recorded = make_scene(rng, fibres=[timed_potentials()[run % 5]], latency_us=latency, snr=[snr]).recorded
                result = analyse(
                    recorded.sweeps_uv, sample_rate_hz=recorded.rate_hz, onset_sample=recorded.onset_index,
                    intensity_ma=np.full(n, 5.0), onset_s=recorded.onset_s,
                )  # fmt: skip
                i = assign(np.array([f.latency_us for f in result.fibres]).reshape(-1, n), latency)[0]
                if i < 0:
                    continue
                fibre = result.fibres[i]
                true = float(np.abs(np.diff(latency[:, 0]))[fibre.counted_pairs].mean())
                low, high = fibre.mcd_interval_us
                rows.append(
                    (
                        true,
                        fibre.mcd_raw_us,
                        fibre.mcd_us,
                        fibre.mcd_noise_us,
                        low <= mcd_us <= high,
                        fibre.is_below_resolution,
                    )
                )
            true, raw, corrected, noise, covered, below = np.array(rows, dtype=np.float64).T
            ratio = corrected.sum() / true.sum()
            error = float(np.std(corrected - ratio * true)) / np.sqrt(len(rows)) / float(true.mean())
            aim = 0.03 if mcd_us >= 1.15 * noise.mean() else None
            covered_all, counted_all = covered_all + int(covered.sum()), counted_all + covered.size
            table.add_row(
                f"{n}", f"{snr:g}", f"{mcd_us:g} µs", f"{noise.mean():.1f} µs", f"{raw.sum() / true.sum():.3f}",
                f"{ratio:.3f}", f"{error:.3f}", verdict(abs(ratio - 1.0), aim, error), percent(covered.mean(), 1),
                percent(below.mean(), 0),
            )  # fmt: skip
    show(table)
    share = covered_all / counted_all
    error = np.sqrt(share * (1.0 - share) / counted_all)
    console.print(f"Covered over all: {100 * share:.1f} % ± {100 * error:.1f} (target 93 to 97.5 %)")


SECTIONS: Sections = {
    "isolated": (study_isolated, 25, 5),  # full, quick
    "varied": (study_varied, 20, 5),
    "bias": (study_bias, 40, 10),
    "overlap": (study_overlap, 12, 4),
    "presence": (study_presence, 20, 5),
    "jitter": (study_jitter, 60, 10),
}


if __name__ == "__main__":
    run_sections(SECTIONS, sys.argv[1:], console)
