"""A row of the table of benchmarks: what was measured, beside its peers and its limit; as JSON and as Markdown."""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from typing import Any

__all__ = ["HEADER", "Limit", "Peer", "Row", "as_cells", "as_document", "cpu_in_turn", "median", "package", "size_of"]

HEADER = ("what", "this program", "peer in the same run", "ours ÷ peer", "limit, and ours ÷ limit", "how")
_USUAL = 100.0  # from here on a figure needs no decimals


@dataclass(frozen=True, slots=True)
class Peer:
    """What one would otherwise use, on the same input in the same run; `value` in the unit of the row."""

    name: str
    value: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """What cannot be passed, physically or in theory; `value` in the unit of the row."""

    what: str
    value: float


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of the program.

    Parameters
    ----------
    name : str
        Short and unique, for programs that read the JSON.
    what : str
        For people.
    value : float
        In `unit`; what the quotients are of.
    is_more_better : bool
        Else less is.
    target : float, optional
        What was asked for.
    beside : mapping
        Other figures of the same measurement in the same unit, such as a median.
    notes : sequence of str
        What must be known to read the figure, such as the accuracy that goes with a speed.
    raw : mapping
        Every single figure behind it, or as many as are of use.
    """

    name: str
    what: str
    value: float
    unit: str
    is_more_better: bool
    how: str
    peers: Sequence[Peer] = ()
    limit: Limit | None = None
    target: float | None = None
    value_is: str = ""
    beside: Mapping[str, float] = field(default_factory=dict)
    notes: Sequence[str] = ()
    raw: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_met(self) -> bool | None:
        """Whether the target is reached; None without one."""
        if self.target is None:
            return None
        return self.value >= self.target if self.is_more_better else self.value <= self.target


def package(name: str) -> str:
    """A library with its version."""
    return f"{name} {version(name)}"


def as_document(row: Row) -> dict[str, Any]:
    """The row for JSON, its quotients and whether the target is met included; what is no number is null."""
    document = asdict(row)
    document["is_met"] = row.is_met
    for peer in document["peers"]:
        peer["ratio"] = row.value / peer["value"] if peer["value"] else None
    if row.limit is not None:
        document["limit"]["ratio"] = row.value / row.limit.value if row.limit.value else None
    plain: dict[str, Any] = _plain(document)
    return plain


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def size_of(value: float | None) -> str:
    """A figure with three digits, or all digits before its point."""
    if value is None:
        return "–"
    if value == 0 or abs(value) >= _USUAL:
        return f"{value:,.0f}".replace(",", " ")
    return f"{value:.3g}"


def as_cells(document: Mapping[str, Any]) -> tuple[str, ...]:
    """The cells of a row that `as_document` has made, in the order of `HEADER`."""
    unit = document["unit"].removeprefix("1") if document["unit"].startswith("1/") else f" {document['unit']}".rstrip()
    ours = f"{size_of(document['value'])}{unit}" + (f" ({document['value_is']})" if document["value_is"] else "")
    ours += "".join(f"; {name} {size_of(value)}" for name, value in document["beside"].items())
    ours += "".join(f"; {note}" for note in document["notes"])
    if document["target"] is not None:
        sign, mark = "≥" if document["is_more_better"] else "≤", "met" if document["is_met"] else "**short**"
        ours += f"; asked for {sign} {size_of(document['target'])}: {mark}"
    peers = [
        f"{peer['name']}: {size_of(peer['value'])}{unit}" + (f" ({peer['note']})" if peer["note"] else "")
        for peer in document["peers"]
    ]
    limit = document["limit"]
    return (
        f"{document['what']}, {'more' if document['is_more_better'] else 'less'} is better",
        ours,
        "; ".join(peers),
        "; ".join(size_of(peer["ratio"]) for peer in document["peers"]),
        "" if limit is None else f"{limit['what']}: {size_of(limit['value'])}{unit}; {size_of(limit['ratio'])}",
        document["how"],
    )


def cpu_in_turn(acts: Mapping[str, Callable[[], object]], *, repeats: int, warm: bool = True) -> dict[str, list[float]]:
    """Seconds of processor time of each act, taken in turn so that what else the machine does meets all of them."""
    if warm:
        for act in acts.values():
            act()
    spent: dict[str, list[float]] = {name: [] for name in acts}
    for _ in range(repeats):
        for name, act in acts.items():
            begin_s = time.process_time()
            act()
            spent[name].append(time.process_time() - begin_s)
    return spent


def median(values: Sequence[float]) -> float:
    """Of at least one value."""
    return float(statistics.median(values))
