"""A simulated study that runs by a script, in virtual time, for a picture of the screen at one moment."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Self

from acq.acts import ActName, do_act
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.errors import ConfigurationError
from acq.hosting.host import describe_start
from acq.hosting.messages import Ended, News, StudyRequest
from acq.opening import begin_study, prepare_study
from acq.records import OutputState
from acq.study.store import StudyStore
from gui.view_model import ViewModel

__all__ = ["ScriptedStudy", "Step", "parse_step"]

_LONGEST_S: Final = 7200.0
_USUAL: Final = (ActName.SCAN,)
_CODE: Final = "S-01"  # always the same, so that the same script gives the same picture


@dataclass(frozen=True, slots=True)
class Step:
    """An act at a time of the study. text : what is decided."""

    at_s: float
    name: ActName
    value: int = 0
    text: str = ""


_WITH_NUMBER: Final = frozenset({ActName.WANT, ActName.CHOOSE})


def parse_step(text: str) -> Step:
    """A step as it is written on the command line: seconds, then the act, as in "30 faster", "40 want 2", "2 choose 4".

    Raises
    ------
    ConfigurationError
        With what is wrong.
    """
    at, *words = text.split() or [""]
    decided = ""
    if words[:1] == [ActName.DECIDE.value]:
        decided = "\t".join(part.strip() for part in " ".join(words[1:]).split("/", 2))
        words = words[:1] if decided.count("\t") == 2 else []
    value = words.pop() if words and words[-1].isdecimal() else "0"
    try:
        at_s, name = float(at), ActName(" ".join(words))
        # A fibre and a choice have a number, and nothing else has.
        if not 0 <= at_s <= _LONGEST_S or (name in _WITH_NUMBER) != (int(value) > 0):
            raise ValueError
        return Step(at_s, name, int(value), decided)
    except ValueError as exc:
        acts = ", ".join(act.value for act in ActName)
        raise ConfigurationError(
            f"{text!r}: a step is a time in seconds, 0 to {_LONGEST_S:g}, and an act, as in '30 faster', for want with "
            "the fibre, as in '40 want 2', for choose with the choice, as in '2 choose 4', for decide with all of it, "
            f"as in '90 decide 1.2 / set aside / moved'; the acts are: {acts}"
        ) from exc


class ScriptedStudy:
    """The engine of a simulated study in this process, and the model of a screen that looks on.

    Made by `begin`. Without steps a threshold scan is made, and each proposal is accepted as soon as it stands.

    Parameters
    ----------
    steps : sequence of Step
        Done when their time has come; a choice, and what comes after it, waits for a question. With any of them nothing
        is done by itself but what they say, unless `accepts` is set.
    """

    def __init__(
        self, engine: Engine, store: StudyStore, model: ViewModel, *, steps: Sequence[Step], accepts: bool
    ) -> None:
        self.engine = engine
        self.model = model
        self._store = store
        self._steps = sorted(steps, key=lambda step: step.at_s)
        self._accepts = accepts
        self._result_version = -1

    @classmethod
    @contextmanager
    def begin(
        cls, request: StudyRequest, *, steps: Sequence[Step] | None = None, keep: Path | None = None
    ) -> Iterator[Self]:
        """Open a simulated study in virtual time; its file is thrown away, or is `keep`.

        Raises
        ------
        SuprathreshError
            When it cannot be opened, or is not simulated.
        """
        with tempfile.TemporaryDirectory(prefix="suprathresh-scripted-", ignore_cleanup_errors=True) as folder:
            path = keep if keep is not None else Path(folder) / "scripted.study"
            if (request.device_kind or read_profile(request.profile_name).device.kind) != "simulated":
                raise ConfigurationError(
                    f"{request.profile_name}: a script runs on the simulated patient alone; leave the profile out"
                )
            request = replace(request, study_path=str(path), code=request.code or _CODE)
            preparation = prepare_study(request, speed="max")
            store, engine = begin_study(preparation)
            with store:
                model = ViewModel()
                model.start(describe_start(engine, store, preparation.code, request.electrode))
                engine.look_on()
                try:
                    script = [Step(0.0, name) for name in _USUAL] if steps is None else steps
                    yield cls(engine, store, model, steps=script, accepts=steps is None)
                finally:
                    engine.finish()

    def run_to(self, at_s: float) -> None:
        """Let the study go on until so many seconds of it have passed."""
        while self.engine.elapsed_s < at_s and not self.engine.is_finished:
            self.turn()
        self.show()

    def turn(self) -> int:
        """One turn of the engine, and what is due in the script. Returns the number of sweeps taken."""
        engine = self.engine
        while self._steps and self._steps[0].at_s <= engine.elapsed_s:
            step = self._steps[0]
            text = step.text
            if step.name is ActName.CHOOSE:
                prompt = engine.make_snapshot().prompt
                if prompt is None:
                    break
                text = str(prompt.number)
            self._steps.pop(0)
            do_act(engine, step.name, value=step.value, text=text)
            if step.name is ActName.FINISH:
                self._finish()
                return 0
            if step.name is ActName.CHOOSE:
                break  # another choice is of the next question
        is_offered = engine.proposal_ma is not None and engine.gate.state is OutputState.DELIVERING
        if self._accepts and is_offered:
            engine.accept_proposal()
        n_sweeps = engine.step()
        if n_sweeps:
            self._take(snapshot=None)
        return n_sweeps

    def show(self) -> None:
        """Bring the model up to date."""
        if self.model.ended is None:
            self._take(snapshot=self.engine.make_snapshot())

    def _finish(self) -> None:
        """Complete the study, as the engine's own process does."""
        self.engine.finish()
        self.show()
        (endplates, made), code = self.engine.result(), str(self._store.meta()["code"])
        self._store.close()
        self.model.end(Ended(str(self._store.path), code, self._store.seal, None, endplates, made.summary, made.limits))

    def _take(self, **known: Any) -> None:
        engine = self.engine
        sweeps, tracks, n_dropped = engine.fetch_sweeps()
        endplates, made = None, None
        if engine.result_version != self._result_version:
            self._result_version = engine.result_version
            endplates, made = engine.result()
        self.model.take(
            News(
                state=engine.gate.state,
                latch_reason=engine.gate.latch_reason,
                intensity_ma=engine.gate.intensity_ma,
                turn_age_s=0.0,
                needs=engine.needs,
                sweeps=sweeps,
                tracks=tracks,
                n_dropped=n_dropped,
                endplates=endplates,
                summary=made.summary if made is not None else None,
                limits=made.limits if made is not None else None,
                **known,
            ),
            now_s=engine.elapsed_s,
        )
