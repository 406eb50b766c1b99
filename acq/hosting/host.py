"""The engine's process: `python -m acq.hosting.host FOLDER`. No Qt, no terminal; one screen at a time.

The first screen says what to begin. When it goes, the output goes to rest at once, and the study waits for another to
come back; when none does for long, the study is completed. Threads: one turns the engine, one reads what the screen
asks for and acts at once on a stop, one sends, one waits for screens.
"""

from __future__ import annotations

import contextlib
import gc
import itertools
import signal
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from multiprocessing import AuthenticationError
from multiprocessing.connection import Connection, Listener
from pathlib import Path
from typing import Any, Final

from acq.acts import ActName, do_act
from acq.commands.analyse import settings_in
from acq.commands.replay import replay_engine
from acq.display import EndplateReport, EngineSnapshot, SweepReport, TrackReport
from acq.engine import Engine
from acq.errors import DeviceError, SafetyViolationError, SuprathreshError
from acq.exchange.recordings import load_recording
from acq.foot_switch import foot_key
from acq.hosting.messages import (
    Act,
    Attach,
    Ended,
    Leaving,
    News,
    Preparing,
    Refused,
    ReplayRequest,
    Shown,
    Started,
    StudyRequest,
)
from acq.hosting.whereabouts import Whereabouts
from acq.opening import begin_study, prepare_study
from acq.preparing import prepare_analysis
from acq.study.result import StudyResult
from acq.study.store import StudyStore
from acq.turning import Turning

__all__ = ["Host", "describe_start", "main"]

_FIRST_SCREEN_S: Final = 30.0  # without any screen for so long nothing was ever begun, and the process ends
_SCREEN_BACK_S: Final = 1800.0  # so long a study waits, at rest, for a screen to come back
_NEWS_EVERY_S: Final = 0.1
_NO_SCREEN_S: Final = 0.02  # between two looks whether there is one
_SWEEPS_KEPT: Final = 400  # for a screen that does not read; the study file has them all
_OLDEST_ACT_S: Final = 0.5  # an act that was so long on its way is not what the operator wants now
_ALWAYS: Final = frozenset({ActName.STOP, ActName.FINISH, ActName.LOWER, ActName.LOWER_COARSE, ActName.MARK})
_LAST_WORD_S: Final = 2.0


class Host:
    """One engine and the screen it has, if any.

    Parameters
    ----------
    engine : Engine
        Its output at rest. The host turns it and ends it.
    store : StudyStore
        Closed by the host.
    started : Started
        Said to every screen.
    up_to_ma : float, optional
        How far a threshold scan may go.
    """

    def __init__(self, engine: Engine, store: StudyStore, started: Started, *, up_to_ma: float | None = None) -> None:
        self._engine = engine
        self._store = store
        self._started = started
        self._up_to_ma = up_to_ma
        self._outbox = _Outbox(engine)
        self._turning = Turning(
            engine, after_turn=self._outbox.fill, up_to_ma=up_to_ma, is_seen=lambda: self.has_screen
        )
        self._lock = threading.Lock()
        self._line: _Line | None = None
        self._gone_s = time.monotonic()
        self._ending = threading.Event()

    @property
    def has_screen(self) -> bool:
        """Whether a screen is there."""
        return self._line is not None

    def run(self) -> Ended:
        """Turn the engine until the study is to end; complete it. For the main thread."""
        self._engine.watch_viewer(within_s=self._started.lease_s)
        self._outbox.refill()
        self._turning.start()
        threading.Thread(target=self._send_forever, name="news", daemon=True).start()
        try:
            while not self._ending.wait(_NEWS_EVERY_S):
                is_forgotten = not self.has_screen and time.monotonic() - self._gone_s > _SCREEN_BACK_S
                if is_forgotten or not self._turning.is_alive():
                    break
        finally:
            ended = self._finish()
        return ended

    def end(self) -> None:
        """Let `run` come to its end, from any thread."""
        self._ending.set()

    def serve(self, screen: Connection[Any, Any], early: Sequence[object] = ()) -> None:
        """Do what a screen asks for until it goes, and bring the output to rest then. For a thread of its own.

        Parameters
        ----------
        early : sequence
            What it has sent already.
        """
        line = _Line(screen)
        with self._lock:
            if self._line is not None:
                line.say_last(Refused("another screen shows this study already; close it first"))
                return
            line.say(self._started)
            self._outbox.refill()
            self._line = line
        goes_on_purpose = False
        try:
            for message in itertools.chain(early, iter(screen.recv, None)):
                if isinstance(message, Leaving):
                    goes_on_purpose = True
                    break
                self._heed(message)
        except (OSError, EOFError):
            pass  # the screen has gone: closed, killed, or its computer's session ended
        finally:
            # Before anything else: nobody sees what the output does.
            if goes_on_purpose:
                self._engine.stop()
            else:
                self._engine.leave_unwatched()
            with self._lock:
                self._line = None
                self._gone_s = time.monotonic()
            line.close()
            if self._started.is_replay:
                self.end()

    def _heed(self, message: object) -> None:
        if isinstance(message, Shown):
            self._engine.note_shown()
            if message.is_present:
                self._engine.note_presence()
        elif isinstance(message, Act):
            self._engine.note_presence()
            age_s = time.monotonic() - message.pressed_s
            if message.name not in _ALWAYS and not 0.0 <= age_s <= _OLDEST_ACT_S:
                self._engine.tell(f"{message.name}: not done, since it took {age_s:.1f} s to arrive; press again")
                return
            try:
                do_act(self._engine, message.name, value=message.value, text=message.text, up_to_ma=self._up_to_ma)
            except SafetyViolationError as exc:
                self._engine.tell(f"refused: {exc}")
            if message.name is ActName.FINISH:
                self.end()

    def _finish(self) -> Ended:
        failure: str | None = None
        endplates: tuple[EndplateReport, ...]
        made: StudyResult | None
        with contextlib.suppress(DeviceError):
            self._engine.stop("study finished by the operator")
        self._turning.end()
        try:
            self._engine.finish()
            endplates, made = self._engine.result()
        except SuprathreshError as exc:
            failure, endplates, made = str(exc), (), None
        trouble = self._engine.failure or self._turning.failure
        if trouble is not None:
            failure = str(trouble)
        try:
            self._store.close()
            seal = self._store.seal
        except SuprathreshError as exc:
            failure, seal = failure or str(exc), ""
        ended = Ended(
            self._started.study_path,
            self._started.code,
            seal,
            failure,
            endplates,
            made.summary if made is not None else None,
            made.limits if made is not None else None,
        )
        with self._lock:
            line, self._line = self._line, None
        if line is not None:
            line.say_last(ended)
        return ended

    def _send_forever(self) -> None:
        """Send what there is, and a sign of life where there is nothing; never from the engine's thread."""
        while True:
            self._outbox.wait_for_sweeps(_NEWS_EVERY_S)
            line = self._line
            if line is None:
                if self._ending.is_set():
                    return
                time.sleep(_NO_SCREEN_S)
                continue
            gate = self._engine.gate
            news = self._outbox.take(
                state=gate.state,
                latch_reason=gate.latch_reason,
                intensity_ma=gate.intensity_ma,
                turn_age_s=self._turning.age_s if self._turning.is_alive() else 0.0,
                busy_with=self._engine.busy_with,
            )
            line.say(news)


class _Line:
    """The way to one screen, for one sender at a time."""

    def __init__(self, screen: Connection[Any, Any]) -> None:
        self._screen = screen
        self._lock = threading.Lock()

    def say(self, message: object) -> None:
        """Send; a screen that has gone is noticed by whoever reads from it."""
        with self._lock, contextlib.suppress(OSError, ValueError):
            self._screen.send(message)

    def say_last(self, message: Refused | Ended) -> None:
        """Send, wait a moment for it to be read, which the screen shows by hanging up, and hang up as well."""
        if not self._lock.acquire(timeout=_LAST_WORD_S):
            return  # it reads nothing any more
        try:
            with contextlib.suppress(OSError, EOFError, ValueError):
                self._screen.send(message)
                self._screen.poll(_LAST_WORD_S)
                self._screen.close()
        finally:
            self._lock.release()

    def close(self) -> None:
        """Hang up."""
        with self._lock:
            self._screen.close()


class _Outbox:
    """What the engine's thread leaves for the sender; bounded."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._sweeps: deque[SweepReport] = deque(maxlen=_SWEEPS_KEPT)
        self._tracks: tuple[TrackReport, ...] | None = None
        self._result: tuple[tuple[EndplateReport, ...], StudyResult] | None = None
        self._snapshot: EngineSnapshot | None = None
        self._n_dropped = 0
        self._result_version = -1
        self._is_new_screen = threading.Event()
        self._has_sweeps = threading.Event()

    def wait_for_sweeps(self, timeout_s: float) -> bool:
        """Whether a sweep waits to be taken, at once or within a time."""
        return self._has_sweeps.wait(timeout_s)

    def refill(self) -> None:
        """A new screen knows nothing: say again what does not come by itself."""
        self._is_new_screen.set()

    def fill(self) -> None:
        """Take what is new; in the engine's thread."""
        if self._is_new_screen.is_set():
            self._is_new_screen.clear()
            self._engine.look_on()
            self._result_version = -1
        sweeps, tracks, n_dropped = self._engine.fetch_sweeps()
        snapshot = self._engine.snapshot()
        with self._lock:
            self._n_dropped += n_dropped + max(0, len(self._sweeps) + len(sweeps) - _SWEEPS_KEPT)
            self._sweeps.extend(sweeps)
            self._tracks = tracks if tracks is not None else self._tracks
            self._snapshot = snapshot if snapshot is not None else self._snapshot
            if self._sweeps:
                self._has_sweeps.set()
        if self._engine.result_version != self._result_version:
            self._result_version = self._engine.result_version
            result = self._engine.result()  # takes a while, and the rest need not wait for it
            with self._lock:
                self._result = result

    def take(self, **now: Any) -> News:
        """All of it, with what the output does now."""
        with self._lock:
            endplates, made = self._result if self._result is not None else (None, None)
            news = News(
                **now,
                snapshot=self._snapshot,
                needs=self._engine.needs,
                sweeps=tuple(self._sweeps),
                tracks=self._tracks,
                n_dropped=self._n_dropped,
                endplates=endplates,
                summary=made.summary if made is not None else None,
                limits=made.limits if made is not None else None,
            )
            self._sweeps.clear()
            self._has_sweeps.clear()
            self._snapshot, self._tracks, self._result, self._n_dropped = None, None, None, 0
        return news


def main(arguments: list[str] | None = None) -> int:
    """Wait for the first screen, begin what it asks for, and stay until the study has ended."""
    (folder,) = sys.argv[1:] if arguments is None else arguments
    where = Whereabouts.choose(Path(folder))
    try:
        with Listener(where.address, authkey=bytes.fromhex(where.key)) as listener:
            where.write()
            waiting = _Waiting(listener)
            first = waiting.first(within_s=_FIRST_SCREEN_S)
            return _run(where, waiting, *first) if first is not None else 1
    finally:
        where.remove()


class _Waiting:
    """Takes screens in, in a thread of its own."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._has_first = threading.Event()
        self._first: tuple[Connection[Any, Any], StudyRequest | ReplayRequest] | None = None
        self._serve: Callable[[Connection[Any, Any]], None] | None = None
        threading.Thread(target=self._accept_forever, name="screens", daemon=True).start()

    def first(self, *, within_s: float) -> tuple[Connection[Any, Any], StudyRequest | ReplayRequest] | None:
        """The screen that says what to begin; None when there is none in time."""
        self._has_first.wait(within_s)
        return self._first

    def serve_with(self, serve: Callable[[Connection[Any, Any]], None]) -> None:
        """Whom the screens from now on are given to."""
        self._serve = serve

    def _accept_forever(self) -> None:
        while True:
            try:
                screen = self._listener.accept()
                message = screen.recv()
            except (AuthenticationError, EOFError, ConnectionError):
                continue  # somebody looked whether there is an engine here, or may not come in
            except OSError:
                return  # the listener is closed
            if isinstance(message, (StudyRequest, ReplayRequest)) and self._first is None:
                self._first = (screen, message)
                self._has_first.set()
            elif isinstance(message, Attach) and self._serve is not None:
                threading.Thread(target=self._serve, args=(screen,), name="screen", daemon=True).start()
            else:
                _Line(screen).say_last(Refused("there is no study here to come back to; begin one"))


def _run(
    where: Whereabouts, waiting: _Waiting, screen: Connection[Any, Any], request: StudyRequest | ReplayRequest
) -> int:
    with contextlib.ExitStack() as stack:
        try:
            line = _Line(screen)
            prepare_analysis(lambda done, of: line.say(Preparing(done, of)))
            early = _take_early(screen)
            if early is None:
                return 1  # before anything was made or opened
            # What is there now stays: looking through it again and again would hold the guard up. Before anything is
            # opened, since looking through it once lets an output run dry.
            gc.collect()
            gc.freeze()
            engine, store, started = (
                _begin(request) if isinstance(request, StudyRequest) else _begin_replay(request, stack)
            )
        except (SuprathreshError, SafetyViolationError) as exc:
            _Line(screen).say_last(Refused(" ".join(str(exc).split())))
            return 2
        host = Host(engine, store, started, up_to_ma=request.up_to_ma if isinstance(request, StudyRequest) else None)
        _end_on_signals(host)
        gc.freeze()  # what has come since
        Whereabouts(where.folder, where.address, where.key, where.process, started.study_path, started.code).write()
        waiting.serve_with(host.serve)
        threading.Thread(target=host.serve, args=(screen, early), name="screen", daemon=True).start()
        host.run()
    return 0


def _take_early(screen: Connection[Any, Any]) -> list[object] | None:
    """What a screen has sent before it was told of a study; None where it is not there any more."""
    early: list[object] = []
    try:
        while screen.poll():
            early.append(screen.recv())
    except (OSError, EOFError):
        return None
    return early


def _begin(request: StudyRequest) -> tuple[Engine, StudyStore, Started]:
    preparation = prepare_study(request, is_attended=True)
    if not preparation.is_simulated and not request.person_present:
        raise SafetyViolationError("not begun, since nobody has confirmed that a licensed person is at the patient")
    store, engine = begin_study(preparation, is_watched=True)
    return engine, store, describe_start(engine, store, preparation.code, request.electrode)


def _begin_replay(request: ReplayRequest, stack: contextlib.ExitStack) -> tuple[Engine, StudyStore, Started]:
    path = Path(request.path)
    recording = load_recording(path, number=request.number)
    settings = settings_in(path, request.number)
    if request.margin is not None:
        settings = replace(settings, margin=request.margin)
    folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="suprathresh-replay-"))
    store = StudyStore.create(Path(folder) / "replay.study", meta={"replay": path.name, "code": ""})
    engine = replay_engine(recording, store, settings=settings, is_paced=True)
    return engine, store, describe_start(engine, store, "", recording.electrode)


def describe_start(engine: Engine, store: StudyStore, code: str, electrode: str) -> Started:
    """What a screen is told of a study first.

    Parameters
    ----------
    code : str
        Of the study, unless its file has one.
    """
    described, profile, meta = engine.device_description, engine.profile, store.meta()
    return Started(
        study_path=str(store.path),
        code=str(meta.get("code", code)),
        device=described.detail,
        is_simulated=described.is_simulated,
        is_replay=not described.takes_pulses,
        electrode=electrode,
        rule=engine.margin_rule,
        about={key: value for key, value in meta.items() if isinstance(value, (str, int, float))},
        lease_s=profile.safety.lease_s,
        lead_s=described.lead_s,
        ceiling_ma=profile.stimulus.ceiling_ma,
        rates_hz=tuple(profile.stimulus.rates_hz),
        foot=(foot[0], str(foot[1])) if (foot := foot_key(profile)) is not None else None,
    )


def _end_on_signals(host: Host) -> None:
    """Asked to end, the study is completed; Ctrl-C in the screen's terminal is the screen's to answer."""
    for name in ("SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: host.end())
    signal.signal(signal.SIGINT, signal.SIG_IGN)


if __name__ == "__main__":
    sys.exit(main())
