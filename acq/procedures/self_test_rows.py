"""From what the self-test saw to its rows: a figure, what is allowed, pass or fail, and what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np

from acq.procedures.self_test_figures import (
    find_band_noise_uv,
    find_clock_error,
    find_mains_residue,
    fit_current,
)
from acq.records import FloatArray
from acq.units import samples_to_us
from hardware_profiles import HardwareProfile

__all__ = ["CheckOutcome", "CheckRow", "PulseSeen", "SelfTestData", "make_rows"]

_LEAST_PULSES: Final = 50
_LEAST_LEVELS: Final = 6
_LEAST_AT_WIDTH: Final = 3
_SAME_RELATIVE: Final = 1e-9  # figures this close are equal: they come out of binary arithmetic


class CheckOutcome(StrEnum):
    """What became of a measurement."""

    PASS = "pass"  # noqa: S105 - a word, not a password
    FAIL = "fail"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One measurement.

    key : for scripts, never changes. name, measured, allowed : for people. advice : what to do, or why there is no
    figure; empty where all is well. values : the figures, their units in their names; NaN never. is_needed : False
    where this device cannot show it.
    """

    key: str
    name: str
    measured: str
    allowed: str
    outcome: CheckOutcome
    advice: str = ""
    values: Mapping[str, float] = field(default_factory=dict)
    is_needed: bool = True

    @property
    def ok(self) -> bool:
        """Whether it passed, or cannot be measured on this device at all."""
        return self.outcome is CheckOutcome.PASS or (self.outcome is CheckOutcome.NOT_MEASURED and not self.is_needed)


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseSeen:
    """One pulse, commanded and as the trigger and the monitor showed it; NaN where the monitor showed none.

    offset_samples : onset on the trigger channel minus the commanded one. delay_us : from the trigger to the current,
    both at half height. rest_ma : mean of the monitor before and after the pulse.
    """

    commanded_ma: float
    delivered_ma: float
    commanded_width_us: float
    width_us: float
    offset_samples: int
    delay_us: float
    rest_ma: float


@dataclass(slots=True, kw_only=True)
class SelfTestData:
    """What a self-test has seen so far.

    margins_s : of every pulse, how long before the last possible moment it was queued. stops_s, dead_men_s : from the
    stop, and from the last sign of life, to the last pulse. arrivals : see `find_clock_error`. mismatch : why the gate
    latched the output off.
    """

    sample_rate_hz: float
    is_real_time: bool = False
    pulses: list[PulseSeen] = field(default_factory=list)
    margins_s: list[float] = field(default_factory=list)
    n_seen: int = 0
    n_missing: int = 0
    n_unrequested: int = 0
    n_late: int = 0
    late_text: str = ""
    n_skipped: int = 0
    n_damaged: int = 0
    mismatch: str = ""
    quiet_needle_uv: FloatArray | None = None
    rest_mean_ma: float = math.nan
    rest_noise_ma: float = math.nan
    n_needle: int = 0
    n_saturated: int = 0
    full_scale_uv: float = math.nan
    end_ma: FloatArray | None = None
    stops_s: list[float] = field(default_factory=list)
    dead_men_s: list[float] = field(default_factory=list)
    n_undead: int = 0
    n_lost: int = 0
    n_timeouts: int = 0
    arrivals: list[tuple[int, float]] = field(default_factory=list)


def make_rows(
    data: SelfTestData, profile: HardwareProfile, *, up_to_ma: float, chunk_s: float, lead_s: float
) -> tuple[CheckRow, ...]:
    """Every row of a self-test, also of one that ended early.

    Parameters
    ----------
    data : SelfTestData
    profile : HardwareProfile
    up_to_ma : float
        Largest intensity delivered.
    chunk_s, lead_s : float
        Of the device's output.
    """
    return (
        _judge_samples(data),
        _judge_noise(data, profile),
        _judge_mains(data, profile),
        _judge_range(data, profile),
        _judge_monitor_noise(data, profile),
        _judge_rest(data, profile),
        _judge_pulses(data),
        _judge_onset(data, profile),
        _judge_delay(data, profile),
        *_judge_widths(data, profile),
        *_judge_current(data, profile, up_to_ma=up_to_ma),
        _judge_stop(data, allowed_s=lead_s + chunk_s),
        _judge_dead_man(data, profile, lead_s=lead_s),
        _judge_margin(data),
        _judge_clock(data, profile),
        _judge_end(data, profile),
    )


def _row(
    key: str,
    name: str,
    measured: str,
    allowed: str,
    is_ok: bool,
    advice: str,
    **values: float,
) -> CheckRow:
    return CheckRow(
        key=key,
        name=name,
        measured=measured,
        allowed=allowed,
        outcome=CheckOutcome.PASS if is_ok else CheckOutcome.FAIL,
        advice="" if is_ok else advice,
        values={
            unit: value if isinstance(value, int) else float(value)
            for unit, value in values.items()
            if math.isfinite(value)
        },
    )


def _signed(value: float, digits: int) -> str:
    """A figure with its sign, and no minus before nothing."""
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def _missing(
    key: str, name: str, allowed: str, why: str = "not reached; check again", *, is_needed: bool = True
) -> CheckRow:
    return CheckRow(
        key=key,
        name=name,
        measured="–",
        allowed=allowed,
        outcome=CheckOutcome.NOT_MEASURED,
        advice=why,
        is_needed=is_needed,
    )


def _is_within(value: float, limit: float) -> bool:
    return abs(value) <= limit * (1 + _SAME_RELATIVE)


def _judge_samples(data: SelfTestData) -> CheckRow:
    measured = f"{data.n_lost} lost"
    if data.n_timeouts:
        measured += f", {data.n_timeouts} waits too long"
    return _row(
        "samples",
        "samples",
        measured,
        "0 lost",
        data.n_lost == 0 and data.n_timeouts == 0,
        "samples were lost or late: end what else runs on this computer, use another USB port or a lower sample rate",
        n_lost=data.n_lost,
        n_timeouts=data.n_timeouts,
    )


def _quiet(data: SelfTestData) -> FloatArray | None:
    """The needle at rest, where a second of it came without a gap."""
    quiet = data.quiet_needle_uv
    return quiet if quiet is not None and quiet.size >= data.sample_rate_hz else None


def _why_no_quiet(data: SelfTestData) -> str:
    if data.quiet_needle_uv is None:
        return "not reached; check again"
    return "no second of rest came without lost samples; see to those first"


def _judge_noise(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_uv, band_hz = profile.check.needle_noise_uv, profile.acquisition.band_hz
    key, name, allowed = "needle_noise", "needle noise in band", f"≤ {limit_uv:g} µV RMS"
    quiet = _quiet(data)
    if quiet is None:
        return _missing(key, name, allowed, _why_no_quiet(data))
    noise_uv = find_band_noise_uv(quiet, sample_rate_hz=data.sample_rate_hz, band_hz=band_hz)
    # A converter whose input is alive moves by itself.
    is_dead = float(np.ptp(quiet)) == 0.0
    advice = (
        "the needle channel stands still: check that the amplifier is on and wired to this channel"
        if is_dead
        else "join the needle's inputs or put it in saline, then look for a loose earth, a long lead or a near supply"
    )
    is_ok = not is_dead and _is_within(noise_uv, limit_uv)
    return _row(key, name, f"{noise_uv:.1f} µV RMS", allowed, is_ok, advice, noise_uv=noise_uv)


def _judge_mains(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_uv, mains_hz = profile.check.mains_uv, profile.acquisition.mains_hz
    key, name, allowed = "mains", "mains residue", f"≤ {limit_uv:g} µV RMS"
    quiet = _quiet(data)
    if quiet is None:
        return _missing(key, name, allowed, _why_no_quiet(data))
    found = find_mains_residue(quiet, sample_rate_hz=data.sample_rate_hz, mains_hz=mains_hz)
    strongest_hz = found.strongest_order * mains_hz
    measured = f"{found.total_uv:.1f} µV RMS, most at {strongest_hz:g} Hz"
    advice = (
        f"the mains comes through, {found.strongest_uv:.1f} µV at {strongest_hz:g} Hz: earth the patient's side once, "
        "shorten and twist the leads, move supplies and lamps away"
    )
    return _row(
        key,
        name,
        measured,
        allowed,
        _is_within(found.total_uv, limit_uv),
        advice,
        mains_uv=found.total_uv,
        fundamental_uv=found.fundamental_uv,
        strongest_hz=strongest_hz,
        strongest_uv=found.strongest_uv,
    )


def _judge_range(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit = profile.check.needle_offset_relative
    key, name, allowed = "needle_range", "needle range", f"0 saturated, offset ≤ {100 * limit:g} %"
    if data.n_needle == 0 or data.quiet_needle_uv is None or data.quiet_needle_uv.size == 0:
        return _missing(key, name, allowed)
    offset_uv = float(np.mean(data.quiet_needle_uv))
    is_ok = data.n_saturated == 0 and _is_within(offset_uv, limit * data.full_scale_uv)
    return _row(
        key,
        name,
        f"{data.n_saturated} saturated, offset {_signed(offset_uv, 0)} µV",
        allowed,
        is_ok,
        "the needle channel reaches the end of its range at rest: lower the gain, remove the offset, check the contact",
        n_saturated=data.n_saturated,
        offset_uv=offset_uv,
        full_scale_uv=data.full_scale_uv,
    )


def _judge_monitor_noise(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_ma = profile.check.monitor_noise_ma
    key, name, allowed = "monitor_noise", "monitor noise", f"≤ {limit_ma:g} mA RMS"
    if not math.isfinite(data.rest_noise_ma):
        return _missing(key, name, allowed)
    return _row(
        key,
        name,
        f"{data.rest_noise_ma:.4f} mA RMS",
        allowed,
        _is_within(data.rest_noise_ma, limit_ma),
        "shield the monitor's lead, or choose a narrower input range for it",
        noise_ma=data.rest_noise_ma,
    )


def _judge_rest(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_ma = profile.check.leak_ma
    key, name, allowed = "rest_current", "current between pulses", f"≤ {limit_ma:g} mA"
    rest_ma = [pulse.rest_ma for pulse in data.pulses if math.isfinite(pulse.rest_ma)]
    if not rest_ma:
        return _missing(key, name, allowed)
    mean_ma = float(np.mean(rest_ma))
    return _row(
        key,
        name,
        f"{_signed(mean_ma, 4)} mA",
        allowed,
        _is_within(mean_ma, limit_ma),
        "either the monitor has an offset or the stimulator leaks: compare with a meter in series with the resistor, "
        "and use it on nobody before it is at zero",
        rest_ma=mean_ma,
        before_any_pulse_ma=data.rest_mean_ma,
    )


def _judge_pulses(data: SelfTestData) -> CheckRow:
    key, name, allowed = "pulses", "pulses as asked for", "each, and no other"
    n_wrong = data.n_missing + data.n_unrequested + data.n_late + data.n_skipped
    if data.n_seen == 0 and n_wrong == 0 and not data.mismatch:
        return _missing(key, name, allowed)
    counts = (
        (data.n_missing, "missing"),
        (data.n_unrequested, "unasked"),
        (data.n_late, "late"),
        (data.n_skipped, "skipped"),
        (data.n_damaged, "in lost samples"),
    )
    measured = ", ".join([f"{data.n_seen} seen", *(f"{count} {word}" for count, word in counts if count)])
    if data.mismatch:
        advice = f"{data.mismatch}: check the wiring of stimulator, monitor and trigger, and the scales in the profile"
    elif data.n_late:
        advice = data.late_text
    else:
        advice = "pulses fell due while this computer was busy: end what else runs, or raise acquisition.lead_s"
    return _row(
        key,
        name,
        measured,
        allowed,
        n_wrong == 0 and not data.mismatch,
        advice,
        n_seen=data.n_seen,
        n_missing=data.n_missing,
        n_unrequested=data.n_unrequested,
        n_late=data.n_late,
        n_skipped=data.n_skipped,
        n_damaged=data.n_damaged,
    )


def _judge_onset(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_us, spread_limit_us = profile.safety.onset_tolerance_us, profile.check.onset_spread_us
    key, name = "trigger_onset", "trigger onset"
    allowed = f"≤ {limit_us:g} µs, spread ≤ {spread_limit_us:g}"
    offsets = np.array([pulse.offset_samples for pulse in data.pulses])
    if offsets.size < _LEAST_PULSES:
        return _missing(key, name, allowed, f"needs {_LEAST_PULSES} pulses, {offsets.size} were seen; check again")
    mean_us = samples_to_us(float(np.mean(offsets)), sample_rate_hz=data.sample_rate_hz)
    spread_us = samples_to_us(int(np.ptp(offsets)), sample_rate_hz=data.sample_rate_hz)
    is_steady = _is_within(spread_us, spread_limit_us) or spread_us == 0
    advice = (
        "the delay from command to trigger is long: measure it, and raise safety.onset_tolerance_us only if it is sure"
        if is_steady
        else "the trigger moves against the command: output and input must share one sample clock; check that routing"
    )
    return _row(
        key,
        name,
        f"{_signed(mean_us, 1)} µs, spread {spread_us:.0f} ({offsets.size} pulses)",
        allowed,
        is_steady and _is_within(mean_us, limit_us),
        advice,
        mean_us=mean_us,
        spread_us=spread_us,
        n_pulses=offsets.size,
    )


def _judge_delay(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_us = profile.check.monitor_delay_us
    key, name, allowed = "current_onset", "current after trigger", f"≤ {limit_us:g} µs"
    delays_us = np.array([pulse.delay_us for pulse in data.pulses if math.isfinite(pulse.delay_us)])
    if delays_us.size == 0:
        return _missing(key, name, allowed)
    mean_us, sd_us = float(np.mean(delays_us)), float(np.std(delays_us))
    return _row(
        key,
        name,
        f"{_signed(mean_us, 1)} µs, SD {sd_us:.2f}",
        allowed,
        _is_within(mean_us, limit_us),
        "the current comes long after its trigger: check the stimulator's own delay and the monitor's filter",
        mean_us=mean_us,
        sd_us=sd_us,
    )


def _judge_widths(data: SelfTestData, profile: HardwareProfile) -> list[CheckRow]:
    limit_us = profile.check.width_tolerance_us
    allowed = f"± {limit_us:g} µs"
    rows: list[CheckRow] = []
    commanded = sorted({pulse.commanded_width_us for pulse in data.pulses}, reverse=True)
    for width_us in commanded:
        key, name = f"width_{width_us:g}_us", f"pulse width {width_us:g} µs"
        own = [pulse for pulse in data.pulses if pulse.commanded_width_us == width_us]
        widths_us = np.array([pulse.width_us for pulse in own if math.isfinite(pulse.width_us)])
        if widths_us.size < _LEAST_AT_WIDTH:
            why = (
                "not reached; check again"
                if len(own) < _LEAST_AT_WIDTH
                else "no pulse stands out of the monitor's noise"
            )
            rows.append(_missing(key, name, allowed, why))
            continue
        mean_us, spread_us = float(np.mean(widths_us)), float(np.ptp(widths_us))
        rows.append(
            _row(
                key,
                name,
                f"{mean_us:.1f} µs, spread {spread_us:.1f}",
                allowed,
                _is_within(mean_us - width_us, limit_us),
                "the charge is not what is commanded: set the stimulator to the width of the profile, or correct that",
                mean_us=mean_us,
                spread_us=spread_us,
                commanded_us=width_us,
            )
        )
    if len(rows) < 2:
        serial = profile.device.serial
        is_fixed = serial is not None and serial.set_width is None
        why = (
            "this stimulator's width is set by hand (the profile has no set_width), so one width was measured"
            if is_fixed
            else "not reached; check again"
        )
        rows.append(_missing("width_other", "other pulse widths", allowed, why, is_needed=not is_fixed))
    return rows


def _judge_current(data: SelfTestData, profile: HardwareProfile, *, up_to_ma: float) -> list[CheckRow]:
    check = profile.check
    residual_limit_ma = max(check.residual_tolerance_ma, check.residual_tolerance_relative * up_to_ma)
    gain_allowed = f"± {100 * check.gain_tolerance_relative:g} %"
    offset_allowed, residual_allowed = f"± {check.offset_tolerance_ma:g} mA", f"≤ {residual_limit_ma:.3g} mA"
    width_us = max(
        (pulse.commanded_width_us for pulse in data.pulses),
        key=lambda one: sum(pulse.commanded_width_us == one for pulse in data.pulses),
        default=math.nan,
    )
    own = [p for p in data.pulses if p.commanded_width_us == width_us and math.isfinite(p.delivered_ma)]
    commanded_ma = np.array([pulse.commanded_ma for pulse in own])
    n_levels = int(np.unique(commanded_ma).size)
    if n_levels < _LEAST_LEVELS:
        least_ma = _LEAST_LEVELS * profile.stimulus.step_ma
        why = (
            f"needs {_LEAST_LEVELS} intensities; give --up-to {least_ma:g} or more"
            if up_to_ma < least_ma
            else f"needs {_LEAST_LEVELS} intensities, {n_levels} were seen; check again"
        )
        return [
            _missing("current_gain", "current, gain", gain_allowed, why),
            _missing("current_offset", "current, offset", offset_allowed, why),
            _missing("current_residual", "current, residual", residual_allowed, why),
        ]
    line = fit_current(commanded_ma, np.array([pulse.delivered_ma for pulse in own]))
    residual_relative = line.largest_residual_ma / up_to_ma
    return [
        _row(
            "current_gain",
            "current, gain",
            f"{_signed(100 * (line.gain - 1), 2)} % ({n_levels} levels)",
            gain_allowed,
            _is_within(line.gain - 1, check.gain_tolerance_relative),
            "delivered and commanded current differ in scale: measure the current through the resistor with a meter or "
            "an oscilloscope, then correct ma_per_v and monitor_ma_per_v in the profile",
            gain=line.gain,
            n_levels=n_levels,
            n_pulses=len(own),
        ),
        _row(
            "current_offset",
            "current, offset",
            f"{_signed(line.offset_ma, 4)} mA",
            offset_allowed,
            _is_within(line.offset_ma, check.offset_tolerance_ma),
            "the current does not go through zero: adjust the zero of the stimulator or of its monitor",
            offset_ma=line.offset_ma,
        ),
        _row(
            "current_residual",
            "current, residual",
            f"{line.largest_residual_ma:.4f} mA ({100 * residual_relative:.2f} %)",
            residual_allowed,
            _is_within(line.largest_residual_ma, residual_limit_ma),
            f"a pulse of {line.residual_at_ma:g} mA lies off the line: lower the resistance if the stimulator runs out "
            "of voltage, else look for a loose contact",
            residual_ma=line.largest_residual_ma,
            residual_relative=residual_relative,
            at_ma=line.residual_at_ma,
        ),
    ]


def _judge_stop(data: SelfTestData, *, allowed_s: float) -> CheckRow:
    key, name, allowed = "stop", "last pulse after stop", f"≤ {1000 * allowed_s:.0f} ms"
    if not data.stops_s:
        return _missing(key, name, allowed)
    worst_s = max(data.stops_s)
    measured = f"{1000 * worst_s:.0f} ms" if worst_s > 0 else "none came"
    return _row(
        key,
        name,
        f"{measured} ({len(data.stops_s)} stops)",
        allowed,
        _is_within(worst_s, allowed_s),
        "pulses go on after a stop: do not use this set-up on anybody; report it with the file of this check",
        worst_s=worst_s,
        allowed_s=allowed_s,
        n_stops=len(data.stops_s),
    )


def _judge_dead_man(data: SelfTestData, profile: HardwareProfile, *, lead_s: float) -> CheckRow:
    promised_s = profile.check.dead_man_s
    allowed_s = profile.safety.lease_s + lead_s
    if promised_s is not None:
        allowed_s = min(allowed_s, promised_s)
    key, name = "dead_man", "last pulse, dead man"
    allowed = f"≤ {1000 * allowed_s:.0f} ms" + (" (promised)" if allowed_s == promised_s else "")
    if not data.dead_men_s:
        return _missing(key, name, allowed)
    worst_s = max(data.dead_men_s)
    return _row(
        key,
        name,
        f"{1000 * worst_s:.0f} ms ({len(data.dead_men_s)} times)",
        allowed,
        _is_within(worst_s, allowed_s) and data.n_undead == 0,
        "pulses go on without a sign of life: do not use this set-up on anybody; lower safety.lease_s and "
        "acquisition.lead_s if the figure is a little too high, else report it with the file of this check",
        worst_s=worst_s,
        allowed_s=allowed_s,
        n_times=len(data.dead_men_s),
    )


def _judge_margin(data: SelfTestData) -> CheckRow:
    key, name, allowed = "queue_margin", "least queue margin", "> 0 ms"
    if not data.margins_s:
        return _missing(key, name, allowed)
    least_s = min(data.margins_s)
    return _row(
        key,
        name,
        f"{1000 * least_s:.1f} ms",
        allowed,
        least_s > 0 and data.n_late == 0,
        "pulses are queued at the last moment or too late: end what else runs, or raise acquisition.lead_s",
        least_s=least_s,
    )


def _judge_clock(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    limit_ppm = profile.check.sample_rate_tolerance_ppm
    key, name, allowed = "sample_clock", "sample clock", f"± {limit_ppm:g} ppm"
    if not data.is_real_time:
        return _missing(
            key, name, allowed, "time is virtual here; there is no other clock to compare with", is_needed=False
        )
    found = find_clock_error(data.arrivals, sample_rate_hz=data.sample_rate_hz)
    if found is None:
        return _missing(key, name, allowed)
    low_ppm, high_ppm = found.interval_ppm
    if not _is_within((high_ppm - low_ppm) / 2, limit_ppm):
        why = f"uncertain by {(high_ppm - low_ppm) / 2:.0f} ppm: end what else runs on this computer and check again"
        return _missing(key, name, allowed, why)
    return _row(
        key,
        name,
        f"{_signed(found.error_ppm, 0)} ppm ({low_ppm:.0f} to {high_ppm:.0f})",
        allowed,
        _is_within(found.error_ppm, limit_ppm),
        "the card's clock or the computer's runs wrong, and every latency with it: check acquisition.sample_rate_hz "
        "against what the card can do, and the computer's clock",
        error_ppm=found.error_ppm,
        low_ppm=low_ppm,
        high_ppm=high_ppm,
    )


def _judge_end(data: SelfTestData, profile: HardwareProfile) -> CheckRow:
    mean_limit_ma, peak_limit_ma = profile.check.leak_ma, profile.safety.amplitude_tolerance_ma
    key, name, allowed = "end_current", "current at the end", f"≤ {mean_limit_ma:g} mA, peak {peak_limit_ma:g}"
    if data.end_ma is None or data.end_ma.size == 0:
        return _missing(key, name, allowed)
    mean_ma, peak_ma = float(np.mean(data.end_ma)), float(np.max(np.abs(data.end_ma)))
    return _row(
        key,
        name,
        f"{_signed(mean_ma, 4)} mA, peak {peak_ma:.3f}",
        allowed,
        _is_within(mean_ma, mean_limit_ma) and _is_within(peak_ma, peak_limit_ma),
        "the output does not rest at zero: switch the stimulator off and use it on nobody before it does",
        mean_ma=mean_ma,
        peak_ma=peak_ma,
    )
