"""Measure the guard on simulated fibres and print tables.

`python tests/benchmarks/guard_study.py [quick] [section …]`

Sections: coverage, jumps, alarms, attribution, speed. The fibres obey the guard's own response model (cumulative
Gaussian, independent trials, blocking with fixed probability) but not its dynamics: thresholds here stand still, jump
once or wander.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata

from acq.guard.margin import MarginRule
from acq.guard.judgement import judge
from acq.guard.watch import Watch
from acq.records import FloatArray, GuardVerdict

RATE_HZ = 10.0
WARNINGS = (GuardVerdict.THIN, GuardVerdict.LOST)


def show(line: str) -> None:
    """Write one line of a table at once, so that a long study can be followed."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def fires(rng: np.random.Generator, intensity_ma: float, threshold_ma: float, spread: float) -> bool:
    """One trial of the axon."""
    return bool(intensity_ma > threshold_ma * (1.0 + spread * rng.standard_normal()))


@dataclass
class TestedTrain:
    """A train with one test pulse in `every`, repeated at once while it is missed, at most ten times."""

    rule: MarginRule
    every: int
    working_ma: float
    since: int = 0
    repeats: int = 0

    def next_ma(self) -> float:
        """Intensity of the next pulse."""
        if self.every and (self.since >= self.every - 1 or 0 < self.repeats < 10):
            self.since = 0
            return self.rule.highest_threshold_ma(self.working_ma)
        self.since += 1
        return self.working_ma

    def note(self, *, intensity_ma: float, responded: bool, warned: bool) -> None:
        """Learn the outcome of that pulse."""
        if intensity_ma < self.working_ma:
            self.repeats = 0 if responded or warned else self.repeats % 10 + 1


def study_coverage(n_runs: int) -> None:
    """Interval of the threshold after a scan down and up, against the truth."""
    show("\nScan 1.4 θ → 0.8 θ → 1.4 θ in 3 % steps, 3 stimuli a step: interval, median width and error")
    for spread in (0.01, 0.02, 0.035, 0.05):
        for blocking in (0.0, 0.2):
            rng = np.random.default_rng([1, int(1000 * spread), int(10 * blocking)])
            inside, width, error, reported = 0, [], [], 0
            down = np.exp(np.arange(np.log(1.4), np.log(0.8), -0.03))
            for _ in range(n_runs):
                threshold = float(np.exp(rng.uniform(np.log(0.5), np.log(5.0))))
                steps = np.concatenate((down, down[::-1])) * np.exp(rng.uniform(-0.02, 0.02))
                intensity = np.repeat(steps * threshold, 3)
                responded = np.array(
                    [fires(rng, i, threshold, spread) and rng.random() >= blocking for i in intensity], dtype=np.int8
                )
                found = judge(
                    intensity_ma=intensity, onset_s=np.arange(intensity.size) / RATE_HZ, responded=responded[None]
                )[0]
                if found.threshold_ma is None or found.threshold_interval_ma is None:
                    continue
                reported += 1
                low, high = found.threshold_interval_ma
                inside += low <= threshold <= high
                width.append(high / low - 1.0)
                error.append(abs(found.threshold_ma / threshold - 1.0))
            show(
                f"  RS {100 * spread:3.1f} %  b {blocking:.1f}: covered {100 * inside / max(reported, 1):5.1f} %  "
                f"width {100 * np.median(width):4.1f} %  error {100 * np.median(error):4.2f} %  "
                f"reported {reported}/{n_runs}"
            )


def run_jump(
    rng: np.random.Generator, *, margin: float, before: float, after: float, spread: float, blocking: float, every: int
) -> tuple[int, GuardVerdict]:
    """Stimuli from a jump of the threshold to the warning (201 if none), and the verdict just before the jump."""
    rule = MarginRule(relative=margin)
    watch = Watch(rule=rule)
    train = TestedTrain(rule, every, before)
    threshold, k, jump_at = 1.0, 0, 280 + int(rng.integers(20))
    while True:
        jumped = k >= jump_at
        threshold = before / after if jumped else 1.0
        intensity = train.next_ma()
        responded = fires(rng, intensity, threshold, spread) and rng.random() >= blocking
        state = watch.observe(
            pulse_intensity_ma=intensity, onset_s=k / RATE_HZ, responded=responded, working_intensity_ma=before
        )
        warned = state.verdict in WARNINGS
        train.note(intensity_ma=intensity, responded=responded, warned=warned)
        if k == jump_at - 1:
            verdict = state.verdict
        if jumped and (warned or k >= jump_at + 200):
            return (k - jump_at + 1 if warned else 201), verdict
        k += 1


def study_jumps(n_runs: int) -> None:
    """Stimuli from the loss to the warning."""
    show("\nStimuli from loss to warning at 10 Hz, RS 2 %, one test in 20 repeated when missed: median / 95 %")
    cases = ((0.1, 1.3, 1.04), (0.1, 1.3, 1.0), (0.1, 1.2, 0.92), (0.2, 1.3, 1.04), (0.2, 1.45, 1.036))
    for margin, before, after in cases:
        for blocking in (0.0, 0.2, 0.5):
            rng = np.random.default_rng([2, int(1000 * after), int(10 * blocking), int(100 * margin)])
            runs = [
                run_jump(rng, margin=margin, before=before, after=after, spread=0.02, blocking=blocking, every=20)
                for _ in range(n_runs)
            ]
            counts = [c for c, _ in runs]
            early = sum(v in WARNINGS for _, v in runs)
            assured = sum(v is GuardVerdict.ASSURED for _, v in runs)
            show(
                f"  margin {100 * margin:2.0f} %  {before:.2f} → {after:.3f} θ  b {blocking:.1f}: "
                f"{np.median(counts):5.0f} / {np.percentile(counts, 95):5.0f}   "
                f"before the jump: assured {assured}, warned {early} of {n_runs}"
            )


def study_alarms(n_runs: int) -> None:
    """False `assured` and false warnings, with moving thresholds and with steady ones."""
    show("\nFive minutes at 10 Hz, RS 1–5 %, margin 20 %; moving: 0.3 %/√s and jumps (1/100 s, SD 20 %)")
    for moving in (True, False):
        for every in (0, 20):
            for blocking in (0.0, 0.2):
                rng = np.random.default_rng([3, every, int(10 * blocking), int(moving)])
                count = dict.fromkeys(("low", "low_assured", "good", "good_assured", "good_warned", "warnings"), 0)
                for _ in range(n_runs):
                    run_alarms(rng, count, moving=moving, every=every, blocking=blocking)
                hours = max(count["good"] / RATE_HZ / 3600.0, 1e-9)
                show(
                    f"  {'moving' if moving else 'steady'}, one test in {every or '∞':>2}, b {blocking:.1f}: "
                    f"below 1.05 θ ({count['low']}) assured "
                    f"{100 * count['low_assured'] / max(count['low'], 1):5.2f} %; "
                    f"above 1.3 θ assured {100 * count['good_assured'] / max(count['good'], 1):5.1f} %, "
                    f"warned {100 * count['good_warned'] / max(count['good'], 1):5.2f} %, "
                    f"false warnings {count['warnings'] / hours:4.1f} an hour ({hours:.1f} h)"
                )


def run_alarms(rng: np.random.Generator, count: dict[str, int], *, moving: bool, every: int, blocking: float) -> None:
    """Add one run of five minutes to the counts."""
    spread = rng.uniform(0.01, 0.05)
    working = float(np.exp(rng.uniform(0.0, 0.6))) if moving else float(rng.uniform(1.3, 1.8))
    rule = MarginRule()
    watch, train = Watch(rule=rule), TestedTrain(rule, every, working)
    log_threshold, was_warned = 0.0, False
    for k in range(3000):
        if moving:
            log_threshold += 0.003 * np.sqrt(1.0 / RATE_HZ) * rng.standard_normal()
            if rng.random() < 1.0 / (100.0 * RATE_HZ):
                log_threshold += 0.2 * rng.standard_normal()
        threshold = float(np.exp(log_threshold))
        intensity = train.next_ma()
        responded = fires(rng, intensity, threshold, spread) and rng.random() >= blocking
        verdict = watch.observe(
            pulse_intensity_ma=intensity, onset_s=k / RATE_HZ, responded=responded, working_intensity_ma=working
        ).verdict
        warned = verdict in WARNINGS
        train.note(intensity_ma=intensity, responded=responded, warned=warned)
        ratio = working / threshold
        if k >= 200 and ratio < 1.05:
            count["low"] += 1
            count["low_assured"] += verdict is GuardVerdict.ASSURED
        if k >= 200 and ratio > (1.3 if moving else 1.29):
            count["good"] += 1
            count["good_assured"] += verdict is GuardVerdict.ASSURED
            count["good_warned"] += warned
            count["warnings"] += warned and not was_warned
        was_warned = warned


def simulate_attribution(
    rng: np.random.Generator, *, pulses: str, n_fibres: int, widest: float, n: int = 200
) -> tuple[FloatArray, npt.NDArray[np.int8], npt.NDArray[np.bool_], FloatArray]:
    """One axon with one or more fibres: intensity, outcomes, whether the axon fired, blocking."""
    spread = float(rng.uniform(0.01, 0.04))
    ratio = 1.0 + float(rng.uniform(0.0, widest))
    blocking = np.where(rng.random(n_fibres) < 0.5, 0.0, rng.beta(0.8, 3.0, n_fibres))
    intensity = np.full(n, 2.0)
    if pulses == "tests":
        intensity[::20] = 2.0 / 1.2
    elif pulses == "scan":
        intensity[:60] = np.repeat(2.0 * 1.1 * 0.97 ** np.arange(20), 3)
    threshold = 2.0 / ratio
    fired = intensity > threshold * (1.0 + spread * rng.standard_normal(n))
    responded = fired & (rng.random((n_fibres, n)) >= blocking[:, None])
    return intensity, responded.astype(np.int8), fired, blocking


def study_attribution(n_runs: int) -> None:
    """Single misses: discrimination, calibration and decisions."""
    show("\nAttribution of single misses, RS 1–4 %, half the endplates healthy, 200 stimuli a recording")
    for n_fibres in (1, 2):
        for pulses, widest in (("fixed", 0.3), ("fixed", 0.8), ("tests", 0.3), ("scan", 0.3)):
            rng = np.random.default_rng([4, n_fibres, len(pulses), int(10 * widest)])
            chance, truth, blocked_error = [], [], []
            for _ in range(n_runs):
                intensity, responded, fired, blocking = simulate_attribution(
                    rng, pulses=pulses, n_fibres=n_fibres, widest=widest
                )
                onset = np.arange(intensity.size) / RATE_HZ
                found = judge(intensity_ma=intensity, onset_s=onset, responded=responded)[0]
                missing = responded[0] == 0
                chance.append(found.p_stimulus_failure[missing])
                truth.append(~fired[missing])
                naive = missing.mean()
                if abs(naive - blocking[0]) > 0.1 and fired.sum() >= 20:
                    blocked_error.append(abs(found.blocking_fraction - np.mean(responded[0][fired] == 0)))
            p, stimulus = np.concatenate(chance), np.concatenate(truth)
            rank = rankdata(p)
            n_stimulus = int(stimulus.sum())
            area = (rank[stimulus].sum() - 0.5 * n_stimulus * (n_stimulus + 1)) / (n_stimulus * (p.size - n_stimulus))
            bins = np.minimum((p * 10).astype(int), 9)
            calibration = sum(
                abs(p[bins == b].mean() - stimulus[bins == b].mean()) * np.mean(bins == b)
                for b in range(10)
                if np.any(bins == b)
            )
            show(
                f"  {n_fibres} fibre(s), {pulses}, margin 0–{100 * widest:.0f} %: misses {p.size}, AUC {area:.3f}, "
                f"calibration error {calibration:.3f}, blocking off by {100 * np.mean(blocked_error):4.1f} points "
                "where the plain count is more than 10 off"
            )
            for level in (0.05, 0.1, 0.15, 0.2):
                as_stimulus, as_endplate = p >= 1.0 - level, p <= level
                wrong = (as_stimulus & ~stimulus) | (as_endplate & stimulus)
                decided = as_stimulus | as_endplate
                show(
                    f"      level {level:.2f}: decided {100 * decided.mean():5.1f} %, wrong of decided "
                    f"{100 * wrong.sum() / max(decided.sum(), 1):4.1f} % (called endplate, was stimulus: "
                    f"{100 * (as_endplate & stimulus).sum() / max(as_endplate.sum(), 1):4.1f} %)"
                )


def study_speed(n_runs: int) -> None:
    """Time of one live step and of a recording."""
    rng = np.random.default_rng(5)
    watch = Watch(rule=MarginRule())
    spent = []
    for k in range(100 * max(n_runs // 10, 1)):
        monitored = (2.0 if k % 20 else 1.65) * (1.0 + 0.002 * rng.standard_normal())
        begin = time.perf_counter()
        watch.observe(
            pulse_intensity_ma=monitored,
            onset_s=k / RATE_HZ,
            responded=bool(rng.random() > 0.1),
            working_intensity_ma=2.0,
        )
        spent.append(time.perf_counter() - begin)
    show(f"\nLive step: median {1e3 * np.median(spent):.2f} ms, 99 % {1e3 * np.percentile(spent, 99):.2f} ms")
    intensity = np.where(np.arange(300) % 20 == 0, 1.65, 2.0)
    responded = (rng.random((3, 300)) > 0.1).astype(np.int8)
    begin = time.perf_counter()
    judge(intensity_ma=intensity, onset_s=np.arange(300) / RATE_HZ, responded=responded)
    show(f"Recording of 300 sweeps, 3 fibres: {time.perf_counter() - begin:.2f} s")


def main(words: list[str]) -> None:
    """Run the sections named, or all."""
    quick = "quick" in words
    sections = {
        "coverage": (study_coverage, 200),
        "jumps": (study_jumps, 60),
        "alarms": (study_alarms, 24),
        "attribution": (study_attribution, 300),
        "speed": (study_speed, 100),
    }
    wanted = [w for w in words if w != "quick"] or list(sections)
    unknown = [w for w in wanted if w not in sections]
    if unknown:
        sys.exit(f"unknown section {unknown[0]}; choose from {', '.join(sections)}")
    for name in wanted:
        study, n_runs = sections[name]
        begin = time.perf_counter()
        study(max(n_runs // 8, 4) if quick else n_runs)
        show(f"  ({time.perf_counter() - begin:.0f} s)")


if __name__ == "__main__":
    main(sys.argv[1:])
