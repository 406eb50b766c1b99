"""The limits that endplates are held against, in words as long as there is room."""

from __future__ import annotations

from gui.view_model import ViewModel

__all__ = ["conflict_words", "limit_sentences", "no_limit_words"]


def no_limit_words(model: ViewModel) -> tuple[str, ...]:
    """Why there is no limit to compare with; the longest words first."""
    about = model.started.about if model.started is not None else {}
    if about.get("limits") == "none":
        return ("no limits wanted", "no limit")
    if about.get("muscle"):
        return ("no limit published for muscle and electrode", "no limit for this muscle", "no limit")
    return ("no limit: muscle not given", "no limit")


def conflict_words(model: ViewModel) -> tuple[str, ...]:
    """What other publications say of a single endplate; the longest words first, none where they say the same."""
    limit = model.limit
    if limit is None or not model.limits.conflicts:
        return ()
    others = sorted({one.individual_us for one in model.limits.others} - {limit.individual_us})
    if not others:
        return ()
    figures = ", ".join(f"{one:g}" for one in others)
    return (f"another publication: {figures}" if len(others) == 1 else f"others: {figures}", f"or {figures}")


def limit_sentences(model: ViewModel) -> tuple[str, ...]:
    """Which limit, why that one, and where others say otherwise: sentences."""
    limit, choice = model.limit, model.limits
    parts = (f"{limit.individual_us:g} µs for a single endplate, {limit.source}" if limit is not None else "",)
    return tuple(
        part if part.endswith((".", "?", "!")) else f"{part}."
        for part in (*parts, choice.reason, *choice.conflicts)
        if part
    )
