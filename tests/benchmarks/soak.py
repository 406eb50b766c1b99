"""Endurance: eight hours of stimuli in virtual time, half an hour by the clock beside programs that take the machine.

Run as `python -m tests.benchmarks.soak --hours 8` or `--minutes 30`, both for both; `--scenario single` has one fibre.
Ctrl-C ends a run early, and what was measured until then is printed. Figures depend on the machine.
"""

from __future__ import annotations

import platform
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import click
import numpy as np
import psutil

from tests.faults.soak import (
    RATE_HZ,
    SLOW_DISK_S,
    AcceleratedFigures,
    RealTimeFigures,
    Slope,
    run_accelerated,
    run_real_time,
)

_MOST_STOPS = 10


def tell(text: str) -> None:
    """One line that is written over, or lines where nobody watches."""
    if sys.stderr.isatty():
        click.echo(f"\r\x1b[K{text[: shutil.get_terminal_size().columns - 1]}", nl=False, err=True)
    else:
        click.echo(text, err=True)


def words(slope: Slope, unit: str) -> str:
    return f"{slope.per_h:+.2f} {unit} (95 % {slope.low:+.2f} to {slope.high:+.2f}, {slope.n_points} points)"


def print_accelerated(one: AcceleratedFigures) -> None:
    click.echo(f"\n{one.scenario}, virtual time at {RATE_HZ:g} Hz" + (", interrupted" if one.was_interrupted else ""))
    click.echo(f"  simulated {one.simulated_h:.2f} h in {one.wall_s:.0f} s, of them {one.finish_s:.0f} s at the end")
    click.echo(
        f"  stimuli on the trigger channel {one.n_triggers}, sweeps taken {one.n_sweeps}, in the file {one.n_in_file}"
    )
    click.echo(f"  pulses in the file without a sweep {one.n_unanswered}; samples lost {one.samples_lost}")
    click.echo(f"  recordings {one.n_recordings}, results {one.n_results}; study file {one.file_mb:.0f} MB")
    click.echo(f"  stops by itself {len(one.stops)}, scans {one.n_scans}")
    for reason in one.stops[:_MOST_STOPS]:
        click.echo(f"    {reason}")
    rss = one.memory[:, 2]
    if len(rss):
        click.echo(f"  RSS first {rss[0]:.0f}, last {rss[-1]:.0f}, most {rss.max():.0f} MB")
        click.echo(f"  handles {span(one.memory[:, 3])}, threads {span(one.memory[:, 4])} while it ran")
    click.echo(f"  slope of the RSS, mean of each recording: {words(one.mean_slope, 'MB/h')}")
    click.echo(f"                    least of each recording: {words(one.least_slope, 'MB/h')}")
    click.echo(f"                     most of each recording: {words(one.most_slope, 'MB/h')}")
    if len(one.finish_memory):
        click.echo(
            f"  at the end, after each analysis: RSS {one.finish_memory[0, 2]:.0f} → {one.finish_memory[-1, 2]:.0f} "
            f"MB, {words(one.finish_slope, 'MB a recording')}"
        )
    if len(one.cpu_ms):
        (first, first_99), (last, last_99) = one.tenth(0), one.tenth(-1)
        click.echo(f"  CPU of a stimulus, first tenth: median {first:.2f}, 99 % {first_99:.1f} ms")
        click.echo(f"                     last tenth:  median {last:.2f}, 99 % {last_99:.1f} ms")
    click.echo(
        f"  (without simulating the patient, {one.simulation_cpu_ms:.2f} ms); longest step {one.longest_step_s:.2f} s"
    )
    click.echo(f"  before {one.before.handles} handles, threads {', '.join(one.before.python_threads)}")
    click.echo(f"  after  {one.after.handles} handles, threads {', '.join(one.after.python_threads)}")


def span(values: np.ndarray) -> str:
    low, high = int(values.min()), int(values.max())
    return f"{low}" if low == high else f"{low} to {high}"


def print_real_time(name: str, one: RealTimeFigures) -> None:
    click.echo(
        f"\n{one.scenario}, by the clock at {RATE_HZ:g} Hz, 3 × 100 kS/s, {name}"
        + (", interrupted" if one.was_interrupted else "")
    )
    click.echo(f"  {one.wall_s:.0f} s, {100 * one.cpu_share:.0f} % of one core with the simulated patient")
    click.echo(f"  stimuli on the trigger channel {one.n_triggers}, pulses in the file {one.n_pulses_in_file}")
    click.echo(f"  sweeps taken {one.n_sweeps}, in the file {one.n_in_file}; recordings {one.n_recordings}")
    click.echo(
        f"  samples lost {one.samples_lost}; pulses refused {one.n_refused}; device failure: {one.failure or 'none'}"
    )
    click.echo(f"  stops by itself {len(one.stops)}, scans {one.n_scans}; end of the study {one.finish_s:.1f} s")
    for reason in one.stops[:_MOST_STOPS]:
        click.echo(f"    {reason}")
    if len(one.latency_ms):
        for label, (median, high) in (("first", one.third(0)), ("last", one.third(-1))):
            click.echo(f"  sweep complete → verdict committed, {label} third: median {median:.1f}, 99 % {high:.0f} ms")
        click.echo(f"  longest {one.latency_ms.max():.0f} ms")
    if len(one.memory):
        rss = one.memory[:, 2]
        click.echo(f"  RSS first {rss[0]:.0f}, last {rss[-1]:.0f}, most {rss.max():.0f} MB; {words(one.slope, 'MB/h')}")
        click.echo(f"  handles {span(one.memory[:, 3])}, threads {span(one.memory[:, 4])} while it ran")
    click.echo(f"  before {one.before.handles} handles, threads {', '.join(one.before.python_threads)}")
    click.echo(f"  after  {one.after.handles} handles, threads {', '.join(one.after.python_threads)}")


LOADS: dict[str, dict[str, Any]] = {
    "alone": {},
    "beside two busy processes": {"n_busy": 2},
    "on a slow disk that another program writes to": {"delays_s": SLOW_DISK_S, "has_disk_writer": True},
    "all of it": {"n_busy": 2, "delays_s": SLOW_DISK_S, "has_disk_writer": True},
}


@click.command(help=__doc__)
@click.option("--hours", type=click.FloatRange(min=0, min_open=True), help="Of simulated time, as fast as it goes.")
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), help="By the clock, over all loads together.")
@click.option("--scenario", default="healthy", show_default=True, help="Simulated patient: 'single' has one fibre.")
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), help="Where the study files go.")
def main(hours: float | None, minutes: float | None, scenario: str, folder: Path | None) -> None:
    if hours is None and minutes is None:
        raise click.UsageError("give --hours, --minutes or both")
    click.echo(f"{platform.platform()}, Python {platform.python_version()}, {psutil.cpu_count()} processors")
    with tempfile.TemporaryDirectory(dir=folder) as name:
        place = Path(name)
        if hours is not None:
            figures = run_accelerated(place, n_sweeps=round(hours * 3600 * RATE_HZ), scenario=scenario, progress=tell)
            print_accelerated(figures)
        if minutes is not None:
            for number, (load, options) in enumerate(LOADS.items()):
                own = place / str(number)
                own.mkdir()
                print_real_time(
                    load,
                    run_real_time(
                        own, duration_s=60 * minutes / len(LOADS), scenario=scenario, progress=tell, **options
                    ),
                )


if __name__ == "__main__":
    main()
