"""Measure the guard on simulated fibres and print tables: thousands of runs, half an hour on two processors.

`python tests/benchmarks/guard_study.py [quick] [--jobs N] [section …]`

Sections: search, joint, coverage, jumps, ramps, alarms, attribution, grouping, priors, speed. The fibres
(`guard_patient.py`) share no code with the program. Every run has a seed of its own, so the tables are the same for any
number of processes. Beside the figures stand what they aim at (DER: simulations with axon models); `!` marks a figure
that misses its aim, and the end lists them.
"""

from __future__ import annotations

import functools
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.guard_live import study_alarms, study_jumps, study_priors, study_ramps, study_speed
from tests.benchmarks.guard_pool import CONSOLE, FINDINGS, Runs
from tests.benchmarks.guard_recordings import study_attribution, study_grouping
from tests.benchmarks.guard_search import study_coverage, study_joint, study_search
from tests.benchmarks.sections import Sections, run_sections

_STUDIES = {
    "search": (study_search, 120, 12),
    "joint": (study_joint, 60, 8),
    "coverage": (study_coverage, 100, 10),
    "jumps": (study_jumps, 80, 10),
    "ramps": (study_ramps, 60, 8),
    "alarms": (study_alarms, 6, 1),
    "attribution": (study_attribution, 200, 24),
    "grouping": (study_grouping, 150, 16),
    "priors": (study_priors, 30, 4),
    "speed": (study_speed, 100, 30),
}


def jobs_of(words: list[str]) -> int:
    """Take `--jobs N` out of the words; as many as there are processors without."""
    if "--jobs" not in words:
        return os.cpu_count() or 1
    place = words.index("--jobs")
    given = words[place + 1 : place + 2]
    if not given or not given[0].isdecimal() or int(given[0]) < 1:
        sys.exit("--jobs takes the number of processes, at least 1")
    del words[place : place + 2]
    return int(given[0])


def main(words: list[str]) -> None:
    """Run the sections named, or all, and say at the end which aims were missed."""
    runs = Runs(jobs_of(words))
    sections: Sections = {
        name: (functools.partial(study, runs), full, short) for name, (study, full, short) in _STUDIES.items()
    }
    try:
        run_sections(sections, words, CONSOLE)
        FINDINGS.summarise()
    except KeyboardInterrupt:
        CONSOLE.print("stopped")
        sys.exit(130)
    finally:
        runs.close()


if __name__ == "__main__":
    main(sys.argv[1:])
