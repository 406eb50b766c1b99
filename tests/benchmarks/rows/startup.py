"""From the command to its work, each in a process of its own, beside the interpreter and its libraries alone."""

from __future__ import annotations

from collections.abc import Iterator

from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.row import Limit, Peer, Row, median, package
from tests.benchmarks.rows.studies import study_of_sites
from tests.benchmarks.startup import COMMANDS, Spent, first_stimulus_s, screen_s, spend

__all__ = ["measure"]

_PASS, _LIBRARIES = "python -c pass", "import numpy, scipy.signal"
_TARGETS_S = {"suprathresh --help": 0.5}
_FIRST_TARGET_S = 3.0
_CLIMB = "the scan climbs from 0 mA, one stimulus after the other"


def measure(size: Size) -> Iterator[Row]:
    """Commands first, then the way to the first stimulus, without and with the screen."""
    study = study_of_sites(size)
    repeats = size.count(5, 1)
    wanted = list(COMMANDS) if not size.is_quick else [_PASS, _LIBRARIES, "suprathresh --help"]
    spent: dict[str, list[Spent]] = {name: [] for name in wanted}
    for turn in range(repeats + 1):
        for name in wanted:
            one = spend([part.format(folder=size.folder, study=study) for part in COMMANDS[name]])
            if turn:  # the first time files come from the disk, and modules are compiled
                spent[name].append(one)
    wall_s = {name: median([one.wall_s for one in some]) for name, some in spent.items()}
    cpu_s = {name: median([one.cpu_s for one in some]) for name, some in spent.items()}
    peers = [
        Peer(f"{_LIBRARIES} ({package('numpy')}, {package('scipy')})", wall_s[_LIBRARIES]),
    ]
    bare = Limit("the interpreter alone, python -c pass", wall_s[_PASS])
    for name in wanted:
        if name not in (_PASS, _LIBRARIES):
            yield Row(
                name=f"start_{name.replace(' ', '_')}", what=name, value=wall_s[name], unit="s", is_more_better=False,
                how=f"clock from the command to its end, median of {repeats}, files in the memory of the system",
                peers=peers, limit=bare, target=_TARGETS_S.get(name), beside={"processor": cpu_s[name]},
                raw={"wall_s": [one.wall_s for one in spent[name]], "cpu_s": [one.cpu_s for one in spent[name]]},
            )  # fmt: skip
    first_stimulus_s()
    found = [first_stimulus_s() for _ in range(repeats)]
    yield Row(
        name="start_first_stimulus", what="study --stimuli N --json → onset of the first stimulus",
        value=median([one["pulse"] for one in found]), unit="s", is_more_better=False, target=_FIRST_TARGET_S,
        beside={"scan asked for": median([one["ready"] for one in found])}, peers=peers, limit=bare,
        how=f"clock, simulated patient in real time, median of {repeats}; {_CLIMB}", raw={"found": found},
    )  # fmt: skip
    if size.is_quick:
        return
    found = [screen_s() for _ in range(max(2, repeats // 2))]
    yield Row(
        name="start_screen", what="screen → window drawn, engine ready, t → first sweep shown with its verdict",
        value=median([one["pulse"] for one in found]), unit="s", is_more_better=False, target=_FIRST_TARGET_S,
        beside={name: median([one[name] for one in found]) for name in ("window", "ready")}, peers=peers, limit=bare,
        how=f"clock, without a display, t pressed as soon as the engine is ready, median of {len(found)}",
        raw={"found": found},
    )  # fmt: skip
