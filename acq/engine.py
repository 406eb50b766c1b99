"""The engine: everything from the device to the study file, without a screen.

It owns the threads. In real time the reader fills the ring buffer, the feeder keeps the device supplied with pulses
through the safety gate, and the engine's own thread cuts sweeps, analyses, guards and stores. In virtual time one
thread does all three in turn, so that a run is repeatable to the last bit.
"""

from __future__ import annotations

import contextlib
import math
import queue
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from acq.analysis.blas import one_blas_thread
from acq.backlog import Backlog
from acq.clock import Clock, RealClock
from acq.devices.contract import Device
from acq.display import EndplateReport, EngineSnapshot, Prompt, SweepReport, TrackReport
from acq.errors import (
    ConfigurationError,
    DeviceError,
    InputFileError,
    LateStimulusError,
    SafetyViolationError,
    StudyFileError,
)
from acq.exchange.recordings import recording_from_store
from acq.guard.margin import MarginRule
from acq.guard.proposal import Needs, Proposal, find_needs, propose, settle
from acq.offline import RecordingSettings, analyse_recording
from acq.preparing import prepare_analysis
from acq.procedures.catalogue import TITLES, make_procedure
from acq.procedures.conductor import Conductor, stretch_of
from acq.procedures.contract import Procedure, ProcedureName, ProcedureOptions, ProcedureResult, Sight
from acq.procedures.keeping import keep_procedure
from acq.procedures.recording import make_recording_policy, set_working_intensity
from acq.procedures.threshold_scan import ThresholdScan
from acq.records import DeviceDescription, GuardVerdict, OutputState, Pulse, PulseKind, RecordingAnalysis, Sweep
from acq.refitting import Refitter
from acq.safety.gate import ActKind, OperatorAct, SafetyGate
from acq.safety.input_watch import InputWatch
from acq.safety.lease import Lease
from acq.safety.limits import Limits
from acq.session import RecordingSession, SweepOutcome
from acq.sound import Sound, SoundSettings, SoundState, worst_verdict
from acq.stimulus.test_pulses import TestPulsePolicy
from acq.stimulus.train import Train
from acq.stream.cutter import StimulusFaultKind, SweepCutter
from acq.stream.latest import Latest
from acq.stream.reader import Reader
from acq.stream.ring import RingBuffer
from acq.study.result import NO_LIMITS, ResultOptions, StudyResult, decide, make_result, report_endplates
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile

__all__ = ["VIEW_GONE", "Engine", "EngineOptions"]

VIEW_GONE: Final = "the screen has gone"

_RING_S: Final = 10.0
_FEED_EVERY_S: Final = 0.01
_FEED_AHEAD_S: Final = 0.04  # beyond the earliest onset the device still takes
_FEED_SPARE_S: Final = 0.01  # what the feeding itself may take
_WAIT_S: Final = 0.02
_SNAPSHOT_EVERY_S: Final = 0.1
_SNAPSHOT_WITHIN_S: Final = 0.2  # also where a sweep is just coming in
_SNAPSHOT_TAKES_S: Final = 0.015  # with what is done of it meanwhile; a sweep that comes within it goes first
_SWITCH_S: Final = 0.0005  # after which a thread that waits for the interpreter gets it, a tenth of the usual
_MESSAGES_KEPT: Final = 8
_STEADY_BEFORE_LOWERING: Final = 40  # sweeps for which less current has to be enough before it is proposed
_HARDLY_RESPONDS: Final = 0.7  # blocking from which a missed test tells next to nothing, as with F waves
_LOOK_S: Final = 0.5  # a proposal to raise must have stood so long before it is accepted: who reads needs as long
_VOLUME_STEP: Final = 0.1
_NO_SOUND: Final = "this study has no sound; it is asked for with --sound device, or in the profile"
_READ_S: Final = 0.3  # nobody reads a question sooner: what accepts before was meant for something else
_OPERATORS_STOP: Final = "stopped by the operator"
_WARNINGS: Final = (GuardVerdict.THIN, GuardVerdict.LOST)
_LONGEST_RECORDING: Final = 5000  # sweeps; a new recording is begun then, which bounds memory
_STALL_S: Final = 2.0
_LONGEST_ANALYSIS_S: Final = 1.5  # of one sweep; beyond it the verdicts are too old to go on
_UNSEEN_KEPT: Final = 200  # sweeps for whoever looks on, 10 s of them at the highest rate
_UNSHOWN_S: Final = 1.0  # a view draws ten times a second; without a picture for so long nobody can see the output
_ASKED_BEFORE_S: Final = 30.0  # so long before the output goes to rest because nobody is there, somebody is asked for
_TELL_BEHIND_S: Final = 3.0  # of what is committed and not on the disk yet
_STOP_BEHIND_S: Final = 10.0
_LAST_SWEEPS_S: Final = 1.0  # for the sweeps of a procedure that is over; they come within the lead
_UNSEEN_S: Final = 1.0  # a sweep is cut within its own length, a few tens of milliseconds, of its stimulus


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineOptions:
    """What may be chosen for a run.

    scan_step_ma : of the threshold scan's climb, None for twice the profile's step. sweep_extent_s : of a sweep before
    and after the stimulus, None for the profile's; a replay needs that of its recording. fits_elsewhere : templates are
    made in a process of their own, for whoever looks on in real time; the numbers are the same.
    """

    electrode: str = "single_fibre"
    settings: RecordingSettings = field(default_factory=RecordingSettings)
    scan_step_ma: float | None = None
    sweep_extent_s: tuple[float, float] | None = None
    fits_elsewhere: bool = False


class _Paused:
    """A policy that delivers nothing."""

    def next(self, index: int) -> None:
        """Nothing is to be delivered."""


class _StoredResults(Mapping[int, RecordingAnalysis]):
    """The results of a study's recordings, read from its file when asked for: in memory they would add up for hours.

    Parameters
    ----------
    numbers : list of int
        The recordings that have a result.
    """

    def __init__(self, store: StudyStore, numbers: list[int]) -> None:
        self._store = store
        self._numbers = numbers

    def __getitem__(self, number: int) -> RecordingAnalysis:
        if number not in self._numbers:
            raise KeyError(number)
        return self._store.results(number)[-1].analysis

    def __iter__(self) -> Iterator[int]:
        return iter(self._numbers)

    def __len__(self) -> int:
        return len(self._numbers)


class Engine:
    """Runs a study on a device. Commands and `snapshot` may come from any thread; `step` belongs to one.

    Parameters
    ----------
    device : Device
        Not opened yet.
    profile : HardwareProfile
    store : StudyStore
        Open for writing; the engine does not close it.
    options : EngineOptions, optional

    Raises
    ------
    DeviceError
        When the device cannot be opened.
    """

    def __init__(
        self,
        device: Device,
        profile: HardwareProfile,
        store: StudyStore,
        *,
        options: EngineOptions | None = None,
    ) -> None:
        self._device = device
        self._profile = profile
        self._store = store
        self._options = options if options is not None else EngineOptions()
        self._clock: Clock = device.clock
        self._wall = RealClock()
        self._about = device.describe()
        self._rate_hz = self._about.sample_rate_hz
        self._is_replay = not self._about.takes_pulses
        self._rule: MarginRule = self._options.settings.margin
        self._limits = Limits.from_profile(profile.stimulus)
        self._lease = Lease(self._clock, profile.safety.lease_s)
        self._ring = RingBuffer(len(self._about.channels), math.ceil(_RING_S * self._rate_hz))
        self._reader = Reader(device, self._ring, self._clock, stall_s=_STALL_S)
        self._gate = SafetyGate(
            device,
            self._limits,
            self._clock,
            self._lease,
            amplitude_tolerance_relative=profile.safety.amplitude_tolerance_relative,
            amplitude_tolerance_ma=profile.safety.amplitude_tolerance_ma,
            onset_tolerance_us=profile.safety.onset_tolerance_us,
            on_event=self._note_gate,
        )
        self._train = Train(
            sample_rate_hz=self._rate_hz,
            rate_hz=profile.stimulus.default_rate_hz,
            width_us=profile.stimulus.width_us,
            policy=_Paused(),
            limits=self._limits,
        )
        before_s, after_s = self._options.sweep_extent_s or (
            profile.acquisition.sweep_before_ms / 1000,
            profile.acquisition.sweep_after_ms / 1000,
        )
        self._cutter = SweepCutter(
            self._ring,
            sample_rate_hz=self._rate_hz,
            before_s=before_s,
            after_s=after_s,
            onset_tolerance_us=profile.safety.onset_tolerance_us,
            # The monitor's offset may be as large as the tolerance.
            stray_current_ma=None if self._is_replay else 2 * profile.safety.amplitude_tolerance_ma,
        )
        self._input_watch = InputWatch(
            sample_rate_hz=self._rate_hz,
            full_scale_uv=self._about.channels[0].full_scale,
            silent_s=profile.safety.lease_s,
        )
        self._watched_to = 0  # samples before it were shown to the watch
        self._onset_index = round(before_s * self._rate_hz)
        self._issued: deque[Pulse] = deque()
        self._refused: deque[int] = deque()  # onsets of issued pulses that the gate or the device did not take
        self._fed_at = 0  # earliest onset at the last feeding, in virtual time
        self._withdraw = threading.Event()
        self._feed_lock = threading.Lock()
        self._commands: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._events: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        self._latest: Latest[EngineSnapshot] = Latest()
        self._messages: deque[str] = deque(maxlen=_MESSAGES_KEPT)
        self._session: RecordingSession | None = None
        self._scan: ThresholdScan | None = None
        self._conductor = Conductor()
        self._procedures_up_to_ma: float | None = None
        self._asked_number, self._asked_s = 0, 0.0  # the newest question, and since when
        self._over_s = 0.0  # when the procedure that runs was over
        self._results: list[ProcedureResult] = []
        self._policy: TestPulsePolicy | None = None
        self._proposal_ma: float | None = None
        self._proposed: Proposal | None = None  # while recording; a scan's has no more than its intensity
        self._proposed_s = 0.0  # when
        self._n_lower = 0  # sweeps for which less current has been enough
        self._needs = Needs()
        self._working_ma = 0.0  # the last that was followed
        self._restorable_ma = 0.0  # from before the operator's stop
        self._n_tests_before, self._n_measuring_before = 0, 0  # of policies that are over
        self._not_wanted: set[int] = set()
        self._scan_sentence = ""
        self._n_scans = 0
        self._sound: Sound | None = None
        self._sound_state = SoundState(output=OutputState.AT_REST)
        self._heard_jitter_us: tuple[tuple[int, float], ...] = ()  # of each wanted fibre, as of the newest snapshot
        self._scan_sweeps: tuple[int, int] | None = None  # first and last of the scan that runs
        self._scan_result_due: tuple[ThresholdScan, int, tuple[int, int]] | None = None  # of one broken off
        self._n_pulses = 0
        self._n_sweeps = 0
        self._n_stops = 0
        self._asked_stops: set[str] = set()
        self._unasked_stop = ""  # why delivery ended, if nobody asked for it
        self._last_snapshot_s = -math.inf
        self._has_viewer = False
        self._is_finished = False
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []
        self._seen: deque[SweepReport] | None = None  # for whoever looks on; None: nobody does
        self._tracks: tuple[TrackReport, ...] | None = None
        self._n_unseen = 0  # sweeps that nobody fetched in time
        self._last_onset_s = math.inf
        self.busy_with = ""  # what holds the engine's thread up, as it should: nothing is delivered meanwhile
        self._shown_s: float | None = None  # when the view was drawn last; None: nobody is supposed to look
        self._shown_within_s = _UNSHOWN_S
        self._present_s = 0.0  # when somebody was last known to be there
        self._ended: list[int] = []  # recordings without a result yet
        self._analysed: list[int] = []
        self._result_version = self._told_version = 0
        self._limits_trouble = ""
        self._failure: DeviceError | None = None
        # Of the sweeps handed to the analysis, in order: those that wait when a recording is full still belong to it.
        self._owners: deque[RecordingSession] = deque()
        self._is_behind = False  # whether it has been said that the disk is
        self._backlog = Backlog(
            lambda sweep, working_ma: self._owners.popleft().take(sweep, working_ma=working_ma),
            lambda one: store.add_sweep(one.recording, one.sweep, one.responses, one.changes),
            self._follow,
            clock=self._wall,
            # A replay has all the time it needs.
            is_threaded=not (self._about.is_virtual_time or self._is_replay),
        )
        self._restoring = contextlib.ExitStack()  # what the run has changed for the whole process
        if not self._about.is_virtual_time:
            prepare_analysis()  # before anything can be delivered: no verdict may wait for a compiler
        self._refitter = Refitter() if self._options.fits_elsewhere and not self._about.is_virtual_time else None
        self._begin_recording()
        try:
            device.open()
            device.arm()
            device.start()
        except DeviceError:
            self._backlog.close()
            self._close_refitter()
            device.close()
            raise
        # For the whole run and all its threads: entered and left by each, it would be undone for the others.
        self._restoring.enter_context(one_blas_thread())
        self._cutter.expect(device.recorded_pulses())
        if not self._about.is_virtual_time:
            # A verdict is made by several threads in turn; each would wait 5 ms for whichever has just begun something.
            self._restoring.callback(sys.setswitchinterval, sys.getswitchinterval())
            sys.setswitchinterval(_SWITCH_S)
            self._start_threads()
        self._publish(force=True)

    # ---- commands: the operator's acts ------------------------------------------------------------------------------

    def stop(self, reason: str = _OPERATORS_STOP) -> None:
        """Bring the output to rest at once, from any thread.

        Acts that were asked for before and are not done yet are void where they would bring output.
        """
        self._n_stops += 1
        self._halt(reason)

    def _halt(self, reason: str) -> None:
        self._asked_stops.add(reason)
        try:
            self._gate.stop(reason)
        except DeviceError as exc:
            self._events.put(("fault", str(exc)))
        self._withdraw.set()

    def begin(self) -> None:
        """At rest → delivering, at 0 mA; nothing comes out before the intensity is raised or a scan is started."""
        act = self._gate.act(ActKind.BEGIN)
        self._command("begin", lambda: self._begin(act), brings_output=True)

    def raise_intensity(self, *, coarse: bool = False) -> None:
        """One step of the profile up."""
        act = self._gate.act(ActKind.INTENSITY)
        self._command("raise", lambda: self._move_intensity(+1, act, coarse=coarse), brings_output=True)

    def lower_intensity(self, *, coarse: bool = False) -> None:
        """One step of the profile down."""
        self._command("lower", lambda: self._move_intensity(-1, coarse=coarse))

    def set_intensity(self, intensity_ma: float) -> None:
        """Go to an intensity: downwards any distance, upwards at most the largest step the profile allows."""
        act = self._gate.act(ActKind.INTENSITY)
        self._command("intensity", lambda: self._set_intensity(intensity_ma, act), brings_output=True)

    def change_rate(self, direction: int) -> None:
        """The next higher (+1) or lower (−1) rate of the profile."""
        self._command("rate", lambda: self._change_rate(direction))

    def start_scan(self, *, up_to_ma: float | None = None) -> None:
        """Authorise and begin a threshold scan up to an intensity, the profile's scan ceiling if none is given."""
        act = self._gate.act(ActKind.BEGIN, ActKind.SCAN)
        self._command("scan", lambda: self._start_scan(up_to_ma, act), brings_output=True)

    def accept_proposal(self) -> None:
        """Take the intensity that a scan or the guard proposes as working intensity."""
        # What is accepted is what stands now, not what may stand when it is done.
        seen_ma, proposed, is_hidden = self._proposal_ma, self._proposed, self._is_asking()
        is_restored = proposed is not None and proposed.kind == "restore"
        prompt = self._conductor.prompt
        if prompt is not None and not is_hidden:
            if not prompt.has_default:
                return
            if self._asked_number != prompt.number or self.elapsed_s - self._asked_s < _READ_S:
                self.tell("that came with the question; read it, and answer then")
                return
            self.choose(1, prompt_number=prompt.number)
            return
        act = self._gate.act(ActKind.RESTORE if is_restored else ActKind.INTENSITY)
        self._command("accept", lambda: self._accept(seen_ma, act, is_hidden=is_hidden), brings_output=True)

    def restore_intensity(self) -> None:
        """Return in one act to the intensity before the operator's last stop or scan; not after a fault."""
        act = self._gate.act(ActKind.BEGIN, ActKind.RESTORE)
        self._command("restore", lambda: self._restore(act), brings_output=True)

    def open_procedures(self, *, up_to_ma: float | None = None) -> None:
        """Ask which guided procedure is wanted, or take that question away again."""

        def run() -> None:
            self._procedures_up_to_ma = up_to_ma
            if self._is_replay:
                self._say("a replay delivers nothing, so no procedure can run")
            elif self._conductor.stage is not None:
                self._say(f"the {self._conductor.stage.procedure.title} runs; end it first")
            else:
                self._conductor.open_list()

        self._command("procedures", run)

    def choose(self, value: int, *, prompt_number: int | None = None) -> None:
        """Answer what is asked with a choice, from 1; nothing where another question stands by now."""
        is_hidden = self._is_asking()
        act = self._gate.act(ActKind.BEGIN, ActKind.SCAN, ActKind.RESTORE)
        self._command(
            "choose", lambda: self._choose(value, prompt_number, act, is_hidden=is_hidden), brings_output=True
        )

    def start_procedure(self, name: ProcedureName, *, options: ProcedureOptions | None = None) -> None:
        """Begin a guided procedure; one that moves the intensity may do so up to the limit in its options."""
        act = self._gate.act(ActKind.BEGIN, ActKind.SCAN, ActKind.RESTORE)
        self._command(str(name), lambda: self._start_procedure(name, options, act), brings_output=True)

    def leave_procedure(self) -> None:
        """End the procedure that runs early, with what there is; or take the result of the last one out of view."""
        self._command("leave", self._leave_procedure)

    def want(self, fibre: int, *, is_wanted: bool) -> None:
        """Say whether a fibre must keep its margin; one that must not drives no test pulse and no proposal."""
        self._command("want", lambda: self._want(fibre, is_wanted=is_wanted))

    def toggle_wanted(self, fibre: int) -> None:
        """A wanted fibre is not wanted any more, or the other way round."""
        self._command("want", lambda: self._want(fibre, is_wanted=fibre in self._not_wanted))

    def toggle_test_pulses(self) -> None:
        """Test pulses off or on again."""
        self._command("tests", self._toggle_tests)

    def new_recording(self) -> None:
        """Finish this recording and begin the next; the output goes to rest."""
        self._command("new recording", self._next_recording)

    def new_insertion(self, text: str = "") -> None:
        """The needle was taken out and put in elsewhere: a new recording, of a new insertion."""

        def begin() -> None:
            self._halt("new insertion")
            self._store.add_action("insertion", " ".join(text.split()), sample=self._ring.next_sample)
            self._next_recording()

        self._command("new insertion", begin)

    def decide(self, label: str, kind: str, reason: str) -> None:
        """Decide on an endplate, "3.1", or on all of a recording, "3"; `kind` is a `DecisionKind`."""

        def keep() -> None:
            try:
                self._say(decide(self._store, label, kind, reason))
            except ConfigurationError as exc:
                self._say(f"not decided: {exc}")
            else:
                self._result_version += 1

        self._command("decide", keep)

    def acknowledge(self) -> None:
        """Acknowledge a fault: latched off → at rest. Not one that came after it: nobody has seen that."""
        act = self._gate.act(ActKind.ACKNOWLEDGE)
        was_latched = self._gate.state is OutputState.LATCHED_OFF

        def acknowledge() -> None:
            if self._gate.state is OutputState.LATCHED_OFF and not was_latched:
                self._say("acknowledge: not done, since the output was latched off after it; read why, and press again")
                return
            self._gate.acknowledge(act)

        self._command("acknowledge", acknowledge)

    def mark(self, text: str) -> None:
        """Write the operator's note into the study."""
        self._command("mark", lambda: self._say(f"mark: {text}"))

    def tell(self, text: str) -> None:
        """Say something to the operator, and keep it in the study."""
        self._commands.put(lambda: self._say(text))

    def _command(self, name: str, act: Callable[[], None], *, brings_output: bool = False) -> None:
        n_stops = self._n_stops

        def run() -> None:
            self._store.add_action(name, "operator", sample=self._ring.next_sample, recording=self._number)
            if brings_output and self._n_stops != n_stops:
                self._say(f"{name}: not done, since a stop came after it")
                return
            try:
                act()
                if brings_output and self._n_stops != n_stops:
                    # The stop came while this was being done, perhaps before there was anything to stop.
                    self._halt(_OPERATORS_STOP)
            except SafetyViolationError as exc:
                self._say(f"refused: {exc}")
            except DeviceError as exc:
                self._fail(exc)

        self._commands.put(run)

    # ---- who is there ----------------------------------------------------------------------------------------------

    def watch_viewer(self, *, within_s: float = _UNSHOWN_S) -> None:
        """From now on the run is attended: it needs a view that is drawn, and somebody who is there.

        Without `note_shown` for so long, or `note_presence` for the profile's `safety.presence_s`, the output goes to
        rest.
        """
        self._shown_within_s = within_s
        self._shown_s = self._present_s = self._clock.now_s()

    def leave_unwatched(self) -> None:
        """The view has gone: the output goes to rest, and what was asked for and not done yet is void."""
        self._n_stops += 1
        try:
            self._gate.stop(VIEW_GONE)
        except DeviceError as exc:
            self._events.put(("fault", str(exc)))
        self._withdraw.set()

    def note_shown(self) -> None:
        """The view has been drawn."""
        self._shown_s = self._clock.now_s()

    def note_presence(self) -> None:
        """Somebody is there: a key was pressed, whichever."""
        self._present_s = self._clock.now_s()

    def _find_absence(self) -> str | None:
        """Say why nobody can be said to watch over an attended run, None where somebody does."""
        if self._shown_s is None:
            return None
        now_s = self._clock.now_s()
        if now_s - self._shown_s > self._shown_within_s:
            return (
                f"the screen has shown nothing for {now_s - self._shown_s:.1f} s, so nobody sees what the output does; "
                "look whether it hangs"
            )
        if now_s - self._present_s > self._profile.safety.presence_s:
            return f"nobody has pressed a key for {now_s - self._present_s:.0f} s"
        return None

    def _is_asking(self) -> bool:
        """Whether the operator is being asked to show that they are there."""
        if self._shown_s is None or self._gate.state is not OutputState.DELIVERING:
            return False
        return self._clock.now_s() - self._present_s > self._profile.safety.presence_s - _ASKED_BEFORE_S

    # ---- what runs -------------------------------------------------------------------------------------------------

    @property
    def profile(self) -> HardwareProfile:
        """The hardware profile it runs with."""
        return self._profile

    @property
    def device_description(self) -> DeviceDescription:
        """What the device is."""
        return self._about

    @property
    def gate(self) -> SafetyGate:
        """The safety gate, for its state."""
        return self._gate

    @property
    def is_finished(self) -> bool:
        """Whether the device has come to the end of what it plays, or has failed."""
        return self._is_finished

    @property
    def failure(self) -> DeviceError | None:
        """What ended the run, if a device failure did."""
        return self._failure

    @property
    def elapsed_s(self) -> float:
        """Time on the device's sample clock."""
        return self._ring.next_sample / self._rate_hz

    @property
    def proposal_ma(self) -> float | None:
        """The working intensity a scan has proposed and nobody has accepted yet."""
        return self._proposal_ma

    @property
    def needs(self) -> Needs:
        """The intensity that each fibre needs, as of the last sweep; empty while nothing is delivered."""
        return self._needs

    @property
    def tests_given(self) -> tuple[int, int]:
        """Test pulses and measuring pulses given at working intensities, the cost of testing."""
        plan = self._policy.plan if self._policy is not None else None
        n_testing, n_measuring = (plan.n_testing, plan.n_measuring) if plan is not None else (0, 0)
        return self._n_tests_before + n_testing, self._n_measuring_before + n_measuring

    @property
    def last_message(self) -> str:
        """The newest message for the operator."""
        return self._messages[-1] if self._messages else ""

    @property
    def is_scanning(self) -> bool:
        """Whether a scan runs: until its proposal, or the sentence why there is none, has been taken."""
        # Not `result`: the train ends the scan from the feeder's thread, before the answers to its last pulses are in.
        return self._scan is not None and self._proposal_ma is None

    @property
    def margin_rule(self) -> MarginRule:
        """The margin that is asked for."""
        return self._rule

    def attach_sound(self, settings: SoundSettings) -> None:
        """Let the study be heard, before it is turned."""
        self._sound = Sound(
            settings,
            source=self._ring,
            sample_rate_hz=self._rate_hz,
            is_virtual_time=self._about.is_virtual_time,
            on_message=self.tell,
        )
        self._sound.start()

    @property
    def sound(self) -> Sound | None:
        """What makes the study heard, None for nothing."""
        return self._sound

    def toggle_sound(self) -> None:
        """Mute the sound at once, or let it be heard again; from any thread."""
        sound = self._sound
        if sound is None:
            self.tell(_NO_SOUND)
            return
        sound.mute(not sound.is_muted)
        self.tell("sound muted" if sound.is_muted else "sound on")

    def change_volume(self, direction: int) -> None:
        """One step louder (+1) or quieter (−1); from any thread."""
        sound = self._sound
        if sound is None:
            self.tell(_NO_SOUND)
            return

        def step(volume: float) -> float:
            return round(min(1.0, max(0.0, volume + _VOLUME_STEP * direction)), 2)

        sound.set_volume(needle=step(sound.needle_volume), tones=step(sound.tone_volume))
        self.tell(f"volume: needle {100 * sound.needle_volume:.0f} %, tones {100 * sound.tone_volume:.0f} %")

    def say_figures(self) -> None:
        """Say the figures in words now, where the profile has them spoken."""
        if self._sound is None:
            self.tell(_NO_SOUND)
        else:
            self._sound.say_figures()

    def _tell_how_heard(self) -> str:
        if self._sound is None or not self._sound.is_on:
            return ""
        return "muted" if self._sound.is_muted else "on"

    def _tell_sound(self) -> None:
        """Say what there is to be heard."""
        if self._sound is None:
            return
        if self._backlog.is_busy:
            # What is being analysed cannot be looked at; the output is told at once all the same.
            self._sound_state = replace(self._sound_state, output=self._gate.state)
        else:
            self._sound_state = self._hear()
        self._sound.note(self._sound_state)
        self._sound.turn()

    def _hear(self) -> SoundState:
        states = [state for fibre, state in self.session.states.items() if fibre not in self._not_wanted]
        is_about = self._gate.state is OutputState.DELIVERING and self._gate.intensity_ma > 0.0
        # In a scan pulses go below thresholds on purpose.
        is_about = self._is_replay or (is_about and not self._gate.is_scanning)
        prompt = self._conductor.prompt
        return SoundState(
            output=self._gate.state,
            is_replay=self._is_replay,
            verdict=worst_verdict([state.verdict for state in states]) if is_about else None,
            prompt=prompt.number if prompt is not None else None,
            prompt_text=prompt.text if prompt is not None else "",
            n_over=len(self._results),
            over_text=self._results[-1].sentence if self._results else "",
            is_anybody_asked=self._is_asking(),
            intensity_ma=self._gate.intensity_ma,
            jitter_us=self._heard_jitter_us,
        )

    @property
    def n_scans(self) -> int:
        """Threshold scans begun."""
        return self._n_scans

    @property
    def procedure(self) -> Procedure | None:
        """The guided procedure that runs, interrupted or not; None for none."""
        return self._conductor.procedure

    @property
    def prompt(self) -> Prompt | None:
        """What the operator is asked now, None for nothing."""
        return self._conductor.prompt

    @property
    def is_procedure_interrupted(self) -> bool:
        """Whether the procedure waits for the operator to bring the output back."""
        return self._conductor.stage is not None and self._conductor.stage.is_interrupted

    @property
    def procedure_results(self) -> tuple[ProcedureResult, ...]:
        """What the procedures of this run have left in the study, in order."""
        return tuple(self._results)

    @property
    def n_sweeps(self) -> int:
        """Sweeps taken, over all recordings."""
        return self._n_sweeps

    @property
    def scan_sentence(self) -> str:
        """How the newest scan ended; empty before its end."""
        return self._scan_sentence

    @property
    def session(self) -> RecordingSession:
        """The recording that runs."""
        assert self._session is not None  # noqa: S101 - begun by the constructor
        return self._session

    @property
    def _number(self) -> int:
        return self.session.number

    def look_on(self) -> None:
        """Keep what every sweep brings from now on, for `fetch_sweeps`."""
        self._seen = deque(maxlen=_UNSEEN_KEPT)
        self._tracks = None if self._backlog.is_busy else self.session.tracks()

    def fetch_sweeps(self) -> tuple[tuple[SweepReport, ...], tuple[TrackReport, ...] | None, int]:
        """What has come in since the last call, for the thread that calls `step`.

        Returns
        -------
        sweeps : tuple of SweepReport
            Oldest first.
        tracks : tuple of TrackReport or None
            All fibres, where something was measured again or judged anew.
        n_dropped : int
            Sweeps that were not fetched in time and are left out; the study file has them.
        """
        if self._seen is None:
            return (), None, 0
        sweeps, tracks, n_dropped = tuple(self._seen), self._tracks, self._n_unseen
        self._seen.clear()
        self._tracks, self._n_unseen = None, 0
        return sweeps, tracks, n_dropped

    def result(self) -> tuple[tuple[EndplateReport, ...], StudyResult]:
        """All endplates of the study file, also of those from before this run, and the result they make.

        Raises
        ------
        StudyFileError
            When the study cannot be read.
        """
        try:
            made = make_result(self._store)
        except ConfigurationError as exc:  # of the limits; a study goes on without them
            if str(exc) != self._limits_trouble:
                self._limits_trouble = str(exc)
                self._say(f"no limits: {exc}")
            made = make_result(self._store, ResultOptions(limits=NO_LIMITS))
        return report_endplates(made.study), made

    @property
    def result_version(self) -> int:
        """Changes with each recording that has its result, and with each decision: `result` then brings another.

        While stimuli are delivered it waits: a result takes a tenth of a second, in which nothing is watched.
        """
        if self._gate.state is not OutputState.DELIVERING:
            self._told_version = self._result_version
        return self._told_version

    def snapshot(self) -> EngineSnapshot | None:
        """The newest snapshot, None when nothing came since the last call."""
        self._has_viewer = True
        return self._latest.get()

    def step(self) -> int:
        """One turn: commands, samples, pulses, sweeps, display. Returns the number of sweeps taken.

        Raises
        ------
        StudyFileError
            When the study cannot be written; the output is latched off.
        """
        try:
            return self._turn()
        except StudyFileError as exc:
            # What nobody can keep, nobody is to be stimulated for.
            self._latch(str(exc))
            raise

    def _turn(self) -> int:
        n_sweeps = 0
        try:
            self._run_commands()
            if self._about.is_virtual_time:
                self._reader.pump_once()
                self._feed()
            else:
                self._ring.wait_for(self._ring.next_sample + 1, _WAIT_S)
                self._reader.check()
            n_sweeps = self._take_sweeps()
            self._watch_input()
            self._watch_disk()
            self._end_silent_scan()
            self._keep_broken_scan()
            self._turn_procedure()
            self._keep_alive()
        except DeviceError as exc:
            self._fail(exc)
        self._drain_events()
        if self._reader.is_finished and self._cutter.n_expected == 0:
            self._is_finished = True
        self._publish()
        self._tell_sound()
        return n_sweeps

    def run(self, until: Callable[[], bool]) -> None:
        """Step until a condition holds, the recording is at its end, or the device has failed."""
        while not self._is_finished and not until():
            self.step()

    def finish(self) -> Mapping[int, RecordingAnalysis]:
        """Output to rest, last sweeps in, every recording analysed, device closed. Idempotent.

        Returns
        -------
        mapping
            Recording number → its analysis, for recordings with sweeps; read from the study file, which must be open.
        """
        results = _StoredResults(self._store, self._analysed)
        if self._stopping.is_set():
            return results
        self.stop("study finished")
        try:
            if self._failure is None:
                self._collect_last_sweeps()
        finally:
            # Also when the study file cannot be written: the device is not left running.
            trouble = self._release_device()
            if self._sound is not None:
                self._sound.close()
            self._restoring.close()
        if trouble is not None:
            self._say(f"at the end: {trouble}")
        try:
            self._end_recording()
            self._conclude_procedure()
            self._analyse_ended()
        finally:
            self._backlog.close()
            self._close_refitter()
        self._drain_events()
        self._is_finished = True
        self._publish(force=True)
        return results

    def _close_refitter(self) -> None:
        if self._refitter is not None:
            self._refitter.close()

    def _release_device(self) -> DeviceError | None:
        """End the threads, stop and close the device; what the device said against it."""
        self._stopping.set()
        self._reader.stop()
        for thread in self._threads:
            thread.join(timeout=2.0)
        try:
            self._device.stop()
        except DeviceError as exc:
            return exc
        finally:
            self._device.close()
        return None

    # ---- threads ---------------------------------------------------------------------------------------------------

    def _start_threads(self) -> None:
        self._reader.start()
        if not self._is_replay:
            feeder = threading.Thread(target=self._feed_forever, name="feeder", daemon=True)
            feeder.start()
            self._threads.append(feeder)

    def _feed_forever(self) -> None:
        while not self._stopping.wait(_FEED_EVERY_S):
            try:
                self._feed()
            except DeviceError as exc:
                self._events.put(("fault", str(exc)))

    def _feed(self) -> None:
        """Queue the pulses that are due soon. The gate refuses them when the analysis has not renewed the lease."""
        if self._is_replay or not self._gate.check_lease():
            return
        with self._feed_lock:
            earliest = self._device.earliest_onset_sample()
            ahead, spare = round(_FEED_AHEAD_S * self._rate_hz), round(_FEED_SPARE_S * self._rate_hz)
            if self._about.is_virtual_time:
                # A turn goes forward by a block, and nothing runs late meanwhile: no pulse may fall between two turns.
                ahead, spare = max(ahead, earliest - self._fed_at), 0
                self._fed_at = earliest
            pulses = self._train.pulses_until(earliest + ahead, earliest_sample=earliest + spare)
            for pulse in pulses:
                # Expected before it is queued: it cannot be seen before the cutter knows of it.
                self._issued.append(pulse)
                try:
                    self._gate.submit([pulse])
                except (SafetyViolationError, LateStimulusError) as exc:
                    # The engine's thread may expect it by now: it is told, never reached into.
                    self._refused.append(pulse.onset_sample)
                    self._events.put(("refused", str(exc)))
                    if isinstance(exc, SafetyViolationError):
                        return

    def _watch_input(self) -> None:
        """Latch the output off when its samples stay away, or tell nothing any more."""
        if self._is_replay:
            return
        first = max(self._watched_to, self._ring.oldest_sample)
        self._watched_to = self._ring.next_sample
        self._input_watch.take(self._ring.read(first, self._watched_to - first).samples[0])
        if self._gate.state is not OutputState.DELIVERING:
            return
        trouble = self._input_watch.find_trouble(since_samples_s=self._reader.silent_s)
        if trouble is not None:
            self._gate.latch(trouble)

    def _watch_disk(self) -> None:
        """Say that the disk is behind, and stop where a power cut would lose too much."""
        if self._about.is_virtual_time:
            return  # as fast as it goes: the disk's time is not the run's
        behind_s = self._store.behind_s
        if behind_s > _STOP_BEHIND_S and self._gate.state is OutputState.DELIVERING:
            self._gate.stop(
                f"the disk is {behind_s:.0f} s behind, and a power cut would lose that much; check the disk"
            )
        elif behind_s > _TELL_BEHIND_S and not self._is_behind:
            self._say(f"the disk is {behind_s:.0f} s behind; the output goes to rest at {_STOP_BEHIND_S:g} s")
        self._is_behind = behind_s > _TELL_BEHIND_S

    # ---- sweeps ----------------------------------------------------------------------------------------------------

    def _take_sweeps(self) -> int:
        # Refusals first: a refused pulse was issued before, so what is drained next holds it.
        refused = [self._refused.popleft() for _ in range(len(self._refused))]
        while self._issued:
            self._cutter.expect([self._issued.popleft()])
        for onset in refused:
            self._cutter.withdraw(from_sample=onset, to_sample=onset + 1)
        if self._withdraw.is_set():
            self._withdraw.clear()
            self._cutter.withdraw()
        looked_to = self._ring.next_sample
        sweeps = self._cutter.cut()
        for fault in self._cutter.take_faults():
            self._n_pulses += fault.pulse is not None
            if self._is_replay:
                continue
            if fault.kind is StimulusFaultKind.UNREQUESTED:
                self._gate.report_unrequested(onset_sample=fault.onset_sample, delivered_ma=fault.delivered_ma)
            elif fault.pulse is not None:
                self._store.add_pulse(self._number, fault.pulse)
                self._gate.verify(fault.pulse)
            self._withdraw.set()
        for sweep in sweeps:
            self._n_pulses += 1
            self._n_sweeps += 1
            if not self._is_replay:
                self._gate.verify(sweep.pulse, samples_lost=sweep.is_damaged)
                if self._is_without_current(sweep.pulse):
                    self._store.add_pulse(self._number, sweep.pulse)
                    continue
            # Not in the middle of a scan, which lives on what is known of the fibres, and is short.
            is_free = not self.is_scanning and self._conductor.stage is None
            if is_free and self.session.n_sweeps + self._backlog.n_waiting >= _LONGEST_RECORDING:
                self._ended.append(self._number)  # analysed once the output is at rest: it takes longer than a lease
                self._begin_recording()
            self._owners.append(self.session)
            self._backlog.put(sweep, working_ma=self._judged_ma(sweep.pulse))
            self._keep_alive()
        self._backlog.advance()
        # The net below the cutter: whatever goes wrong there, no pulse stays unseen for long.
        self._gate.check_unverified(before_sample=looked_to - round(_UNSEEN_S * self._rate_hz))
        return len(sweeps)

    def _keep_alive(self) -> None:
        """Give the sign of life, unless nobody watches, or the analysis hangs: then the verdicts are too old."""
        absence = self._find_absence()
        if absence is not None:
            if self._gate.state is OutputState.DELIVERING:
                self._gate.stop(absence)
        elif self._backlog.lag_s <= _LONGEST_ANALYSIS_S:
            self._gate.renew_lease()

    def _is_without_current(self, pulse: Pulse) -> bool:
        """Whether only the trigger came: a stimulator that was switched off before it stimulated nobody."""
        tolerance_ma = self._profile.safety.amplitude_tolerance_ma
        return abs(pulse.delivered_ma) <= tolerance_ma < pulse.commanded_ma

    def _judged_ma(self, pulse: Pulse) -> float:
        """The intensity the verdicts are about: the working intensity, in a scan the highest reached so far."""
        own_ma = pulse.delivered_ma if math.isfinite(pulse.delivered_ma) else pulse.commanded_ma
        if self._scan is not None:
            return self._scan.judged_ma or own_ma
        stage = self._conductor.stage
        if stage is not None and stage.procedure.moves:
            # Pulses go below thresholds on purpose: judged is where the operator works, or the highest there was.
            return max(own_ma, stage.usual_ma or stage.highest_ma)
        return own_ma if self._is_replay or self._gate.intensity_ma <= 0 else self._gate.intensity_ma

    def _follow(self, outcome: SweepOutcome) -> None:
        """Tell whoever asked for the pulse what came of it."""
        self._note_seen(outcome)
        for event in outcome.events:
            if self._conductor.moves and any(f": {verdict}: " in event for verdict in _WARNINGS):
                # About the highest intensity so far, not one to work at: in the study, and no advice to the operator.
                self._store.add_event("message", event, sample=self._ring.next_sample, recording=self._number)
            else:
                self._say(event)
        if self._scan is not None and outcome.pulse.kind is PulseKind.TESTING:
            session = self.session
            self._scan.observe(
                intensity_ma=outcome.pulse.commanded_ma,
                states=session.states,
                beliefs=session.beliefs,
                axons=session.axons,
                not_wanted=self._not_wanted,
            )
            self._scan_sweeps = (self._scan_sweeps[0] if self._scan_sweeps else outcome.index, outcome.index)
            if self._scan.wants_discovery:
                self.session.search_again()
            result = self._scan.result
            if result is not None:
                self._finish_scan(result.working_ma, result.sentence)
        elif self._policy is not None:
            self._follow_guard(self._policy, outcome)
        if self._conductor.stage is not None:
            self._conductor.follow(outcome, self._look())
            if self._conductor.procedure is not None and self._conductor.procedure.wants_discovery:
                self.session.search_again()
            self._follow_procedure()

    def _note_seen(self, outcome: SweepOutcome) -> None:
        """Keep a sweep for whoever looks on."""
        if self._seen is None:
            return
        self._n_unseen += len(self._seen) == self._seen.maxlen
        self._seen.append(
            SweepReport(
                recording=outcome.recording,
                index=outcome.index,
                pulse=outcome.pulse,
                onset_s=outcome.sweep.onset_s,
                rate_hz=self._rate_seen_hz(outcome.sweep.onset_s),
                samples_uv=outcome.sweep.samples_uv.astype(np.float32),
                onset_index=outcome.sweep.onset_index,
                sample_rate_hz=outcome.sweep.sample_rate_hz,
                is_rejected=outcome.rejected,
                responses=outcome.responses,
                verdict_after_s=self._delay_s(outcome.sweep),
            )
        )
        if (outcome.refreshed or outcome.is_rejudged) and outcome.recording == self._number:
            self._tracks = self.session.tracks()

    def _delay_s(self, sweep: Sweep) -> float:
        """From the arrival of a sweep's last sample to now, when its verdict is there."""
        if self._about.is_virtual_time:
            return math.nan
        last = sweep.pulse.onset_sample - sweep.onset_index + sweep.samples_uv.size - 1
        return self._clock.now_s() - self._reader.arrived_s(last)

    def _rate_seen_hz(self, onset_s: float) -> float:
        """Of the train; in a replay, which has none, from one stimulus to the next."""
        if not self._is_replay:
            return self._train.rate_hz
        before_s, self._last_onset_s = self._last_onset_s, onset_s
        return 1.0 / (onset_s - before_s) if onset_s > before_s else math.nan

    def _follow_guard(self, policy: TestPulsePolicy, outcome: SweepOutcome) -> None:
        """Let the guard's knowledge drive the test pulses and the proposals."""
        states = {fibre: state for fibre, state in self.session.states.items() if fibre not in self._not_wanted}
        # A fibre that has been warned of needs no test to be warned of; one that never follows would miss them all.
        counted = {fibre: state for fibre, state in states.items() if state.verdict not in _WARNINGS}
        missed = {fibre for fibre in counted if not outcome.rejected and not outcome.responded.get(fibre, True)}
        doubted = {
            fibre for fibre, state in counted.items() if state.probability_not_kept >= self._profile.guard.doubt_level
        }
        if missed or doubted:
            beliefs = self.session.beliefs
            hardly = {fibre for fibre, belief in beliefs.items() if belief.blocked.sum() > _HARDLY_RESPONDS}
            missed, doubted = missed - hardly, doubted - hardly
        policy.observe(
            outcome.pulse.index,
            is_missed=bool(missed),
            suspicion=max((counted[fibre].probability_not_kept for fibre in doubted), default=0.0),
        )
        if any(state.changed and state.verdict in _WARNINGS for state in states.values()):
            policy.end_retest()
        stimulus = self._profile.stimulus
        working_ma = self._gate.intensity_ma
        if working_ma <= 0.0:
            return  # stopped meanwhile
        self._needs = find_needs(
            self.session.states, working_ma=working_ma, rule=self._rule, not_wanted=self._not_wanted
        )
        found = propose(
            states,
            working_ma=working_ma,
            rule=self._rule,
            step_ma=stimulus.step_ma,
            largest_step_ma=stimulus.largest_step_ma,
            ceiling_ma=stimulus.ceiling_ma,
        )
        is_lower = found is not None and found.kind == "lower"
        self._n_lower = self._n_lower + 1 if is_lower else 0
        if is_lower and self._n_lower < _STEADY_BEFORE_LOWERING:
            found = None
        self._offer(settle(self._proposed, found, step_ma=stimulus.step_ma))

    def _offer(self, found: Proposal | None) -> None:
        """Propose an intensity, or take a proposal back; lower by itself where the profile allows it."""
        before = self._proposed
        if found is not None and found.kind == "lower" and self._profile.guard.may_lower:
            try:
                self._set_intensity(found.intensity_ma)
            except SafetyViolationError:
                return  # stopped meanwhile: there is nothing to lower
            self._store.add_action("lower", "guard", sample=self._ring.next_sample, recording=self._number)
            self._say(f"lowered by itself: {found.sentence}", kind="lowered")
            return
        if found is before:
            return
        self._proposed = found
        self._proposal_ma = found.intensity_ma if found is not None else None
        if found is not None:
            self._proposed_s = self.elapsed_s
            self._say(f"proposed: {found.sentence}", kind="proposal")
        elif before is not None:
            detail = f"no longer proposed: {before.intensity_ma:.2f} mA"
            self._store.add_event("proposal", detail, sample=self._ring.next_sample, recording=self._number)

    # ---- acts ------------------------------------------------------------------------------------------------------

    def _begin(self, act: OperatorAct) -> None:
        if self._is_replay:
            self._say("a replay delivers nothing")
            return
        if self._gate.state is OutputState.AT_REST:
            self._gate.make_ready()
        if self._gate.state is OutputState.READY:
            self._train.resume(self._device.earliest_onset_sample())
            self._follow_intensity(self._gate.intensity_ma)
            self._gate.begin(act)
            self._offer_restore("the stop")

    def _offer_restore(self, before: str) -> None:
        """After the operator's stop, or a scan without a result: what was given before is offered, in one act."""
        if self._restorable_ma > 0.0:
            what = f"restore {self._restorable_ma:.2f} mA, the intensity before {before}"
            self._offer(Proposal(self._restorable_ma, None, "restore", what))

    def _move_intensity(self, direction: int, act: OperatorAct | None = None, *, coarse: bool) -> None:
        stimulus = self._profile.stimulus
        step_ma = stimulus.coarse_step_ma if coarse else stimulus.step_ma
        self._set_intensity(max(0.0, round(self._gate.intensity_ma + direction * step_ma, 6)), act)

    def _set_intensity(self, intensity_ma: float, act: OperatorAct | None = None) -> None:
        """Go to an intensity; without an act of the operator downwards only."""
        if self._conductor.moves:
            if act is None:
                self._halt(_OPERATORS_STOP)  # less than what a procedure gives is nothing
            else:
                self._say(f"the {self._title} sets the intensity; end it first")
            return
        if act is None or intensity_ma <= self._gate.intensity_ma:
            self._gate.lower_to_ma(intensity_ma)
        elif self._gate.state in (OutputState.AT_REST, OutputState.READY):
            self._say("begin delivery first")
            return
        else:
            self._gate.set_intensity_ma(intensity_ma, act)
        self._restorable_ma = 0.0
        self._end_scan()
        self._follow_intensity(intensity_ma)

    def _follow_intensity(self, working_ma: float) -> None:
        """Let the train follow the working intensity."""
        self._working_ma = working_ma
        if working_ma <= 0:
            self._end_policy()
            self._needs = Needs()
            self._train.set_policy(_Paused())
        elif self._policy is None:
            self._policy = make_recording_policy(
                working_ma=working_ma,
                rule=self._rule,
                guard=self._profile.guard,
                rate_hz=self._train.rate_hz,
                relative_spread=self._largest_spread(),
            )
            self._train.set_policy(self._policy)
        else:
            set_working_intensity(
                self._policy, working_ma=working_ma, rule=self._rule, relative_spread=self._largest_spread()
            )

    def _end_policy(self) -> None:
        self._n_tests_before, self._n_measuring_before = self.tests_given
        self._policy = None

    def _largest_spread(self) -> float | None:
        """Of the thresholds that are known."""
        known = [state.relative_spread for state in self.session.states.values() if state.threshold_ma is not None]
        return max(known, default=None)

    def _change_rate(self, direction: int) -> None:
        if self._conductor.procedure is not None and self._conductor.procedure.rate_hz is not None:
            self._say(f"the {self._title} sets the rate; end it first")
            return
        rates = sorted(self._profile.stimulus.rates_hz)
        higher = [rate for rate in rates if rate > self._train.rate_hz + 1e-9]
        lower = [rate for rate in rates if rate < self._train.rate_hz - 1e-9]
        chosen = (higher[:1] if direction > 0 else lower[-1:]) or [self._train.rate_hz]
        self._set_rate(chosen[0])

    def _set_rate(self, rate_hz: float) -> None:
        if rate_hz == self._train.rate_hz:
            return
        self._train.set_rate_hz(rate_hz)
        if self._policy is not None:
            self._policy.set_rate_hz(rate_hz)
        self._say(f"rate {rate_hz:g} Hz")

    def _start_scan(self, up_to_ma: float | None, act: OperatorAct) -> None:
        stimulus = self._profile.stimulus
        if self._conductor.stage is not None:
            self._say(f"the {self._title} runs; end it first")
            return
        limit_ma = up_to_ma if up_to_ma is not None else stimulus.scan_ceiling_ma
        if limit_ma is None:
            self._say("this profile names no scan ceiling; say how far the scan may go")
            return
        if limit_ma < stimulus.step_ma:
            self._say(f"a scan up to {limit_ma:g} mA has no step of {stimulus.step_ma:g} mA in it; let it go further")
            return
        if self._gate.state is not OutputState.DELIVERING:
            self._begin(act)
        if self._gate.state is not OutputState.DELIVERING:
            return
        step_ma = min(self._options.scan_step_ma or 2 * stimulus.step_ma, stimulus.largest_step_ma)
        if step_ma > limit_ma:
            step_ma = stimulus.step_ma
        self._gate.authorise_scan(limit_ma, act)
        self._end_scan()
        usual_ma = self._working_ma or self._restorable_ma
        self._restorable_ma, self._working_ma = self._working_ma, 0.0
        self._scan_sentence = ""
        self._scan_sweeps = None
        self._conductor.hide_ended()
        self._n_scans += 1
        self._end_policy()
        self._scan = ThresholdScan(
            step_ma=step_ma,
            largest_step_ma=stimulus.largest_step_ma,
            resolution_ma=stimulus.step_ma,
            up_to_ma=limit_ma,
            rule=self._rule,
            lowest_known_ma=min(
                (state.interval_ma[0] for state in self.session.states.values() if state.interval_ma is not None),
                default=None,
            ),
            usual_ma=usual_ma or None,
        )
        self._scan.set_not_wanted(self._not_wanted)
        self._train.set_policy(self._scan)
        self._say(f"threshold scan up to {limit_ma:g} mA")

    def _finish_scan(self, working_ma: float | None, sentence: str) -> None:
        if self._scan_sentence != sentence:
            self._say(f"scan: {sentence}")
            if self._scan is not None and self._scan_sweeps is not None:
                self._keep_scan(self._scan, self._number, self._scan_sweeps)
        self._proposal_ma = working_ma
        self._scan_sentence = sentence
        if working_ma is None:
            self._scan_sweeps = None
            self._end_scan()
            self._gate.end_scan()
            self._follow_intensity(self._gate.intensity_ma)
            self._offer_restore("the scan")

    def _keep_scan(self, scan: ThresholdScan, recording: int, sweeps: tuple[int, int]) -> None:
        """What a scan found so far, kept in the study and shown."""
        first, last = sweeps
        result = scan.tell_result(recording, first, last)
        seen_us = {one.fibre: one.latency_us for one in self.session.fibres() if math.isfinite(one.latency_us)}
        keep_procedure(self._store, result, ranges=[(first, last)], seen_us=seen_us, sample=self._ring.next_sample)
        self._results.append(result)
        self._conductor.note_ended(result, title=TITLES[result.name])

    def _keep_broken_scan(self) -> None:
        """Keep what a scan found that was stopped before its end, once its last sweeps are in."""
        if self._scan_result_due is not None and not self._backlog.n_waiting:
            due, self._scan_result_due = self._scan_result_due, None
            self._keep_scan(*due)

    def _end_silent_scan(self) -> None:
        """Take the result of a scan whose last pulse was never answered, because it came late or was not seen."""
        if self.is_scanning and not self._issued and self._cutter.n_expected == 0 and not self._backlog.n_waiting:
            result = self._scan.result if self._scan is not None else None
            if result is not None:
                self._finish_scan(result.working_ma, result.sentence)

    def _end_scan(self) -> None:
        if self._scan is not None and self.is_scanning and self._scan_sweeps is not None:
            self._scan_result_due = self._scan, self._number, self._scan_sweeps
        self._scan = None
        self._proposal_ma = None
        self._proposed = None
        self._n_lower = 0

    def _accept(self, seen_ma: float | None, act: OperatorAct, *, is_hidden: bool) -> None:
        proposal_ma, proposed = self._proposal_ma, self._proposed
        if is_hidden:
            self._say("that key showed that somebody is there, and did nothing else; look, and press it again")
            return
        if proposal_ma is None:
            self._say("nothing is proposed")
            return
        is_new = proposed is not None and proposed.kind == "raise" and self.elapsed_s - self._proposed_s < _LOOK_S
        if seen_ma != proposal_ma or is_new:
            self._say(f"{proposal_ma:.2f} mA has only just been proposed; look, and accept again")
            return
        if proposed is not None and proposed.kind == "restore":
            self._restore(act, at_most_ma=proposal_ma)
            return
        self._set_intensity(proposal_ma, act)
        self._say(f"accepted: working intensity {proposal_ma:.2f} mA", kind="accepted")
        self._conductor.hide_ended(ProcedureName.THRESHOLD_SCAN)

    def _restore(self, act: OperatorAct, *, at_most_ma: float = math.inf) -> None:
        if self._conductor.moves:
            self._say(f"the {self._title} sets the intensity; end it first")
            return
        if self._restorable_ma <= 0.0:
            self._say("nothing to restore; raise the intensity in steps, or start a threshold scan")
            return
        if self._gate.state is not OutputState.DELIVERING:
            self._begin(act)
        self._gate.restore_intensity(act)
        if self._gate.intensity_ma > at_most_ma:
            # The stop came in the middle of a change: what was offered counts. The train is paused.
            self._gate.lower_to_ma(at_most_ma)
        self._restorable_ma = 0.0
        self._end_scan()
        self._follow_intensity(self._gate.intensity_ma)
        self._say(
            f"working intensity {self._gate.intensity_ma:.2f} mA again, as before the stop or scan", kind="accepted"
        )

    def _want(self, fibre: int, *, is_wanted: bool) -> None:
        if fibre not in self.session.states:
            self._say(f"fibre {fibre} is not in view")
            return
        if is_wanted:
            self._not_wanted.discard(fibre)
        else:
            self._not_wanted.add(fibre)
        what = "wanted again" if is_wanted else "not wanted: its margin drives no test and no proposal"
        self._say(f"fibre {fibre} {what}")
        if self._scan is None:
            return
        self._backlog.finish()  # what is being analysed cannot be looked at
        result = self._scan.set_not_wanted(self._not_wanted) if self._scan is not None else None
        if result is not None:
            self._finish_scan(result.working_ma, result.sentence)
        elif self._proposal_ma is not None:
            self._proposal_ma = None  # it goes up first, and proposes anew then

    def _toggle_tests(self) -> None:
        if self._policy is None:
            self._say("test pulses belong to a recording at a working intensity")
            return
        guard = self._profile.guard
        if self._policy.one_in:
            self._policy.set_one_in(0)
            self._say(
                "test pulses off: responses at one intensity cannot show the margin, so its verdicts will turn "
                f"untested as the last proof grows old{self._tell_proof()}"
            )
        elif guard.test_policy == "off" or not guard.test_one_in:
            self._say("this profile gives no test pulses (guard.test_one_in, guard.test_policy)")
        else:
            self._policy.set_one_in(guard.test_one_in)
            self._say(f"test pulses: one in {self._policy.one_in}")

    def _tell_proof(self) -> str:
        """How old the oldest last proof of a wanted fibre's margin is."""
        states = [state for fibre, state in self.session.states.items() if fibre not in self._not_wanted]
        proofs = [state.since_proof_s for state in states if state.since_proof_s is not None]
        if not states:
            return ""
        if len(proofs) < len(states):
            return " (never proved)"
        return f" (last proof {max(proofs):.0f} s ago)"

    # ---- guided procedures -----------------------------------------------------------------------------------------

    @property
    def _title(self) -> str:
        """Of the procedure that runs."""
        return self._conductor.procedure.title if self._conductor.procedure is not None else "procedure"

    def _look(self) -> Sight:
        """What the procedure may see now."""
        stage, session, stimulus = self._conductor.stage, self.session, self._profile.stimulus
        states = session.states
        return Sight(
            now_s=self.elapsed_s,
            working_ma=self._gate.intensity_ma,
            usual_ma=stage.usual_ma if stage is not None else self._gate.intensity_ma or self._restorable_ma,
            limit_ma=stage.limit_ma if stage is not None else self._gate.authorised_ma,
            step_ma=stimulus.step_ma,
            largest_step_ma=stimulus.largest_step_ma,
            ceiling_ma=stimulus.ceiling_ma,
            rate_hz=self._train.rate_hz,
            rates_hz=tuple(stimulus.rates_hz),
            n_sweeps=session.n_sweeps,
            recording=session.number,
            rule=self._rule,
            states=states,
            wanted=frozenset(states) - self._not_wanted,
            fibres=session.fibres,
        )

    def _choose(self, value: int, prompt_number: int | None, act: OperatorAct, *, is_hidden: bool) -> None:
        if is_hidden:
            self._say("that key showed that somebody is there, and did nothing else; look, and press it again")
            return
        self._backlog.finish()  # what is being analysed cannot be looked at
        heard = self._conductor.hear(value, prompt_number, self._look())
        if isinstance(heard, str):
            self._say(heard)
        elif heard.start is not None:
            self._start_procedure(heard.start, ProcedureOptions(up_to_ma=self._procedures_up_to_ma), act)
        elif heard.goes_on:
            self._resume_procedure(act)
        elif heard.ends:
            self._leave_procedure()
        elif heard.said:
            self._say(heard.said, kind="said")
            answer = self._device.note_said(heard.said)
            if answer:
                self._say(answer)
            self._follow_procedure()

    def _start_procedure(self, name: ProcedureName, options: ProcedureOptions | None, act: OperatorAct) -> None:
        options = options if options is not None else ProcedureOptions()
        if self._is_replay:
            self._say("a replay delivers nothing, so no procedure can run")
            return
        if self._conductor.stage is not None or self.is_scanning:
            self._say(f"the {self._title if self._conductor.stage is not None else 'scan'} runs; end it first")
            return
        if name is ProcedureName.THRESHOLD_SCAN:
            self._start_scan(options.up_to_ma, act)
            return
        try:
            procedure = make_procedure(name, options)
        except ConfigurationError as exc:
            self._say(f"{TITLES[name]}: {exc}")
            return
        self._backlog.finish()  # what is being analysed cannot be looked at
        usual_ma = self._gate.intensity_ma or self._restorable_ma
        limit_ma = usual_ma
        if procedure.moves:
            stimulus = self._profile.stimulus
            asked_ma = options.up_to_ma if options.up_to_ma is not None else stimulus.scan_ceiling_ma
            if asked_ma is None:
                self._say("this profile names no scan ceiling; say how far the procedure may go")
                return
            if asked_ma < stimulus.step_ma:
                self._say(f"up to {asked_ma:g} mA there is no step of {stimulus.step_ma:g} mA; let it go further")
                return
            limit_ma = asked_ma
        why = "" if usual_ma > 0.0 or not procedure.needs_intensity else "a working intensity is needed; scan first"
        sight = replace(self._look(), usual_ma=usual_ma, limit_ma=limit_ma)
        why = why or procedure.check(sight)
        if why:
            self._say(f"{procedure.title}: {why}")
            return
        if not self._bring_output(procedure, usual_ma, limit_ma, act):
            return
        self._say(f"{procedure.title} begins", kind="procedure")
        self._conductor.begin(
            procedure,
            replace(sight, working_ma=self._gate.intensity_ma),
            first_pulse=self._train.next_index,
            rate_before_hz=self._train.rate_hz,
            limit_ma=limit_ma,
        )
        self._lead_train(procedure)

    def _bring_output(self, procedure: Procedure, usual_ma: float, limit_ma: float, act: OperatorAct) -> bool:
        """Let the output be as a procedure needs it: its own within a bound, or the working intensity."""
        if not procedure.moves:
            if usual_ma > 0.0 and self._gate.intensity_ma <= 0.0:
                self._restore(act)
            return self._gate.state is OutputState.DELIVERING
        if self._gate.state is not OutputState.DELIVERING:
            self._begin(act)
        if self._gate.state is not OutputState.DELIVERING:
            return False
        kept_ma = self._gate.intensity_ma or self._restorable_ma
        self._gate.authorise_scan(limit_ma, act)
        self._end_scan()
        self._follow_intensity(0.0)
        self._restorable_ma = kept_ma
        return True

    def _lead_train(self, procedure: Procedure) -> None:
        """From now on the pulses are the procedure's."""
        if procedure.moves:
            self._train.set_policy(procedure)
        self._follow_procedure()

    def _resume_procedure(self, act: OperatorAct) -> None:
        stage = self._conductor.stage
        if stage is None or not stage.is_interrupted:
            return
        usual_ma = self._gate.intensity_ma or self._restorable_ma
        if not stage.procedure.moves and usual_ma <= 0.0:
            self._say(f"{self._title}: begin and raise the intensity in steps, then go on; or end it, and scan")
            return
        if self._bring_output(stage.procedure, usual_ma, stage.limit_ma, act):
            self._conductor.resume(self._look(), first_pulse=self._train.next_index)
            self._say(f"{self._title} goes on", kind="procedure")
            self._lead_train(stage.procedure)

    def _leave_procedure(self) -> None:
        if self._conductor.stage is None:
            self._conductor.hide_ended()
            return
        self._conductor.leave()
        self._follow_procedure()

    def _follow_procedure(self) -> None:
        """Give the rate that the procedure wants; bring the output to rest when it is over."""
        stage = self._conductor.stage
        if stage is None or stage.is_ending:
            return
        if stage.procedure.is_over:
            self._conductor.end()
            self._over_s = self._clock.now_s()
            if self._gate.state is OutputState.DELIVERING:
                self._halt(f"{self._title} over")
        elif not stage.is_interrupted and stage.procedure.rate_hz is not None:
            self._set_rate(stage.procedure.rate_hz)

    def _turn_procedure(self) -> None:
        """Let time pass for the procedure; once it is over and its last sweeps are in, work out what came out."""
        prompt = self._conductor.prompt
        if prompt is not None and prompt.number != self._asked_number:
            self._asked_number, self._asked_s = prompt.number, self.elapsed_s
        stage = self._conductor.stage
        if stage is None:
            return
        if stage.is_ending:
            self._drain_events()  # while it is known whose end this is: what was given before it stays restorable
            is_waiting = bool(self._issued) or self._cutter.n_expected > 0 or self._backlog.n_waiting > 0
            if not is_waiting or self._clock.now_s() - self._over_s > _LAST_SWEEPS_S:
                self._conclude_procedure()
            return
        # What is being analysed cannot be looked at; the next turn will.
        if self._conductor.is_running and not self._backlog.is_busy:
            self._conductor.turn(self._look())
        self._follow_procedure()

    def _conclude_procedure(self) -> None:
        """From the analysis of the recording so far: the procedure's result, kept in the study."""
        stage = self._conductor.stage
        if stage is None:
            return
        if not stage.procedure.is_over:
            stage.procedure.leave()
        self._backlog.finish()
        self.busy_with = f"working out the {stage.procedure.title} …"
        result = None
        try:
            if stage.ranges:
                settings = self._options.settings
                recording = recording_from_store(self._store, stage.recording)
                seen_us = {one.fibre: one.latency_us for one in self.session.fibres() if math.isfinite(one.latency_us)}
                stretch = stretch_of(
                    recording,
                    analyse_recording(recording, settings=settings),
                    number=stage.recording,
                    ranges=stage.ranges,
                    marks=stage.marks,
                    seen_us=seen_us,
                    interval_tolerance=settings.waveforms.interval_tolerance,
                    rule=self._rule,
                )
                result = stage.procedure.conclude(stretch)
                keep_procedure(
                    self._store,
                    result,
                    ranges=stage.ranges,
                    marks=stage.marks,
                    seen_us=seen_us,
                    options=stage.procedure.options,
                    sample=self._ring.next_sample,
                )
                self._results.append(result)
        except InputFileError as exc:
            self._say(f"{stage.procedure.title}: cannot be worked out: {exc}")
        finally:
            self.busy_with = ""
            self._conductor.forget(result)
        told = result.sentence if result is not None else "nothing was measured"
        self._say(f"{stage.procedure.title}: {told}", kind="procedure")
        self._drain_events()
        self._set_rate(stage.rate_before_hz)

    # ---- recordings ------------------------------------------------------------------------------------------------

    def _begin_recording(self) -> None:
        needle = self._about.channels[0]
        acquisition = self._profile.acquisition
        number = self._store.start_recording(
            profile=self._profile.name,
            device=self._device.describe().detail,
            electrode=self._options.electrode,
            sample_rate_hz=self._rate_hz,
            band_hz=acquisition.band_hz,
            mains_hz=acquisition.mains_hz,
            quantum_uv=needle.quantum,
            full_scale_uv=needle.full_scale,
            settings=self._options.settings,
        )
        self._session = RecordingSession(
            number=number,
            settings=self._options.settings,
            sample_rate_hz=self._rate_hz,
            onset_index=self._onset_index,
            full_scale_uv=needle.full_scale,
            fit=self._refitter,
        )

    def _next_recording(self) -> None:
        self._halt("new recording")
        self._restorable_ma = 0.0
        self._not_wanted.clear()
        self._end_scan()
        self._follow_intensity(0.0)
        self._end_recording()
        self._conclude_procedure()
        self._analyse_ended()
        note = self._device.note_new_recording()
        self._begin_recording()
        self._say(f"recording {self._number}: {note}" if note else f"recording {self._number}")

    def _end_recording(self) -> None:
        self._backlog.finish()
        self._keep_broken_scan()
        if self.session.n_sweeps and self._number not in (*self._ended, *self._analysed):
            self._ended.append(self._number)

    def _analyse_ended(self) -> None:
        """Analyse what has ended from what the study file holds, and keep the results beside it."""
        settings = self._options.settings
        while self._ended:
            number = self._ended[0]
            self.busy_with = f"analysing recording {number} …"
            analysis = analyse_recording(recording_from_store(self._store, number), settings=settings)
            self._store.add_result(number, analysis, settings=settings)
            self._store.settle()
            self._analysed.append(self._ended.pop(0))
            self._result_version += 1
        self.busy_with = ""

    def _collect_last_sweeps(self) -> None:
        """Take in the sweeps of pulses that were already on their way."""
        turns = math.ceil((self._about.lead_s + 0.1) * self._rate_hz)
        last = self._ring.next_sample + turns
        while self._cutter.n_expected and self._ring.next_sample < last and not self._is_finished:
            self.step()
        self._drain_events()

    # ---- reporting -------------------------------------------------------------------------------------------------

    def _run_commands(self) -> None:
        while True:
            try:
                command = self._commands.get_nowait()
            except queue.Empty:
                return
            # What was stopped before the command was given must not end what the command begins.
            self._drain_events()
            command()

    def _note_gate(self, kind: str, detail: str) -> None:
        """Called by the gate, from any thread."""
        self._events.put((kind, detail))

    def _drain_events(self) -> None:
        while True:
            try:
                kind, detail = self._events.get_nowait()
            except queue.Empty:
                return
            if kind == "transition" and "to delivering" in detail:
                self._unasked_stop = ""
            if kind == "transition" and "delivering to" in detail:
                reason = detail.partition(": ")[2]
                self._unasked_stop = "" if reason in self._asked_stops else reason
                # A second stop, before anything was given again, leaves what was offered.
                kept_ma = self._working_ma or self._restorable_ma
                is_kept = reason == _OPERATORS_STOP or self._conductor.is_ending
                self._restorable_ma = kept_ma if is_kept else 0.0
                self._end_scan()
                self._follow_intensity(0.0)
                self._withdraw.set()
                self._conductor.interrupt("stopped" if reason in self._asked_stops else reason)
            if kind in ("transition", "refused", "latch", "fault", "late"):
                self._messages.append(f"{kind}: {detail}")
            # Last: it may fail, and what has happened has happened.
            self._store.add_event(kind, detail, sample=self._ring.next_sample, recording=self._number)

    def _say(self, message: str, *, kind: str = "message") -> None:
        """A message for the operator, kept in the study."""
        self._messages.append(message)
        self._store.add_event(kind, message, sample=self._ring.next_sample, recording=self._number)

    def _fail(self, exc: DeviceError) -> None:
        """The device failed: output latched off, the study goes on being readable."""
        self._is_finished = True
        if self._failure is None:
            self._failure = exc
            self._latch(str(exc))
            self._say(f"device failed: {exc}")

    def _latch(self, reason: str) -> None:
        try:
            self._gate.latch(reason)
        except DeviceError as exc:
            # Latched off all the same.
            self._events.put(("fault", f"the device did not take the order to stop: {exc}"))

    def _advice(self) -> str:
        """What to do next, in one sentence."""
        state = self._gate.state
        if self._is_replay:
            return "replay of a recording"
        if state is OutputState.LATCHED_OFF:
            return f"output latched off: {self._gate.latch_reason}; put it right, then acknowledge"
        if self._is_asking():
            now_s, presence_s = self._clock.now_s(), self._profile.safety.presence_s
            return (
                f"is anybody there? Press any key of the list to go on, or the output goes to rest in "
                f"{max(0.0, self._present_s + presence_s - now_s):.0f} s"
            )
        prompt = self._conductor.prompt
        if prompt is not None:
            return prompt.text
        if self._proposed is not None and state is OutputState.DELIVERING:
            return self._proposed.sentence
        if self._proposal_ma is not None:
            return f"accept {self._proposal_ma:.2f} mA as working intensity"
        if state is not OutputState.DELIVERING:
            why = f"output went to rest by itself, {self._unasked_stop}: " if self._unasked_stop else ""
            if self._restorable_ma > 0.0:
                return f"begin delivery, then accept to restore {self._restorable_ma:.2f} mA; or start a threshold scan"
            return f"{why}begin delivery, or start a threshold scan"
        if self._scan is not None:
            return "scan runs; hold the electrodes still"
        if self._conductor.moves:
            return f"{self._title} runs; hold the electrodes still"
        states = {fibre: state for fibre, state in self.session.states.items() if fibre not in self._not_wanted}
        if not states and self.session.states:
            return "no fibre is wanted: say which"
        worst = [n for n, s in states.items() if s.verdict in _WARNINGS]
        if worst:
            fibre = min(worst, key=lambda n: states[n].probability_kept)
            return f"fibre {fibre}: {states[fibre].sentence}"
        if self._gate.intensity_ma <= 0:
            return "raise the intensity, or start a threshold scan"
        if not states:
            return "no fibre yet: move the needle, or raise the intensity"
        untested = [f"fibre {n}: {s.sentence}" for n, s in states.items() if s.verdict is GuardVerdict.UNTESTED]
        if untested:
            return untested[0]
        return f"margin kept; the {self._title} runs" if self._conductor.is_running else "margin kept: go on"

    def _publish(self, *, force: bool = False) -> None:
        now_s = self._wall.now_s()
        if self._backlog.is_busy:
            return  # what is being worked on cannot be shown; the next turn will
        # A snapshot costs milliseconds: none for a run that nobody watches, and none in the way of a sweep.
        age_s = now_s - self._last_snapshot_s
        if not force and (not self._has_viewer or age_s < _SNAPSHOT_EVERY_S):
            return
        can_wait = not self._about.is_virtual_time and age_s < _SNAPSHOT_WITHIN_S
        if not force and can_wait and self._cutter.is_sweep_due(within_s=_SNAPSHOT_TAKES_S):
            return
        self._last_snapshot_s = now_s
        snapshot = self.make_snapshot()
        self._heard_jitter_us = tuple(
            (one.fibre, one.mcd_us)
            for one in snapshot.fibres
            if math.isfinite(one.mcd_us) and one.fibre not in self._not_wanted
        )
        self._latest.put(snapshot)

    def make_snapshot(self) -> EngineSnapshot:
        """Everything as it stands now; for the engine's own thread."""
        session = self.session
        scan_text = self._scan.description if self._scan is not None else ""
        recording_text = ""
        if self._policy is not None:
            plan = self._policy.plan
            recording_text = f"recording, {plan.describe()}{'' if plan.one_in else self._tell_proof()}"
        return EngineSnapshot(
            state=self._gate.state,
            latch_reason=self._gate.latch_reason,
            device=self._about.detail,
            is_simulated=self._about.is_simulated,
            is_replay=self._is_replay,
            recording=session.number,
            elapsed_s=self.elapsed_s,
            intensity_ma=(
                self._train.intensity_ma if self.is_scanning or self._conductor.moves else self._gate.intensity_ma
            ),
            delivered_ma=session.delivered_ma,
            rate_hz=self._train.rate_hz,
            width_us=self._train.width_us,
            ceiling_ma=self._profile.stimulus.ceiling_ma,
            n_pulses=self._n_pulses,
            n_testing=session.n_testing,
            n_rejected=session.n_rejected,
            samples_lost=self._ring.lost_count + self._ring.overrun_count,
            noise_uv=session.noise_uv,
            is_scanning=self.is_scanning or self._conductor.moves,
            is_settled=session.is_settled,
            procedure=scan_text or recording_text,
            proposal_ma=None if self._is_asking() or self._conductor.prompt is not None else self._proposal_ma,
            advice=self._advice(),
            fibres=session.fibres(),
            messages=tuple(self._messages),
            study_path=str(self._store.path),
            is_finished=self._is_finished,
            delivered_kind=session.delivered_kind,
            prompt=None if self._is_asking() else self._conductor.prompt,
            guided=self._conductor.show(),
            sound=self._tell_how_heard(),
        )
