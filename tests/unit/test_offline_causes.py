"""What an analysis says of causes, axons and stretches that are not believed."""

import dataclasses
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from acq import offline
from acq.guard.judgement import FibreJudgement
from acq.offline import analyse
from acq.records import FibreAnalysis, GuardVerdict, MissingReason, RecordingAnalysis
from acq.report.results import plain_result, result_table
from acq.study.encoding import decode_analysis, encode_analysis, encode_json
from tests.potentials import potentials, record


def analysed(
    latency_us: np.ndarray, intensity_ma: np.ndarray, *, seed: int, rate_hz: float = 10.0
) -> RecordingAnalysis:
    """Fibres (n, f) with these latencies, NaN: no response."""
    n, n_fibres = latency_us.shape
    fibres = [potentials()[which] for which in (0, 2, 13)[:n_fibres]]
    made = record(np.random.default_rng(seed), fibres=fibres, latency_us=latency_us, snr=[40.0] * n_fibres)
    return analyse(
        made.sweeps_uv,
        sample_rate_hz=made.rate_hz,
        onset_sample=made.onset_index,
        intensity_ma=intensity_ma,
        onset_s=np.arange(n) / rate_hz,
    )


@pytest.fixture(scope="module")
def scanned() -> RecordingAnalysis:
    """A scan through the threshold of two fibres of one axon, θ = 1 mA, then well above; the first one blocks."""
    rng = np.random.default_rng(21)
    intensity_ma = np.concatenate((np.repeat(np.linspace(1.15, 0.85, 31), 6), np.full(80, 1.5)))
    fired = intensity_ma >= 1.0 + 0.02 * rng.standard_normal(intensity_ma.size)
    latency_us = np.array([4500.0, 7000.0]) + 15.0 * rng.standard_normal((intensity_ma.size, 2))
    latency_us[~fired] = np.nan
    latency_us[rng.random(intensity_ma.size) < 0.1, 0] = np.nan
    return analysed(latency_us, intensity_ma, seed=22)


@pytest.fixture(scope="module")
def slipped() -> RecordingAnalysis:
    """The latencies rise at stimulus 81, and the jitter with them; every response is there."""
    rng = np.random.default_rng(23)
    sd_us = np.where(np.arange(160) < 80, 12.0, 45.0)[:, np.newaxis]
    latency_us = np.array([4500.0, 7000.0]) + sd_us * rng.standard_normal((160, 2))
    latency_us[80:] += 130.0
    return analysed(latency_us, np.full(160, 1.5), seed=24)


def test_fibres_that_fail_together_have_one_number_and_it_is_said(scanned: RecordingAnalysis) -> None:
    # concomitant blocking points at the axon or the stimulus (PUB JNNP 1972;35:52)
    one, other = scanned.fibres
    assert (one.axon, other.axon) == (0, 0)
    together = int(np.sum(np.isnan(one.latency_us) & np.isnan(other.latency_us)))
    assert one.concomitant_misses == other.concomitant_misses == together
    assert together > 50
    n_missed = int(np.isnan(one.latency_us).sum())
    assert any(
        said.startswith(
            f"{together} of {n_missed} misses together with fibre 2, {one.concomitant_expected:.1f} expected"
        )
        for said in one.reasons
    )


def test_misses_of_one_fibre_alone_are_its_endplates(scanned: RecordingAnalysis) -> None:
    one, other = scanned.fibres
    alone = np.isnan(one.latency_us) & np.isfinite(other.latency_us)
    assert alone.sum() >= 10
    assert set(one.missing[alone]) == {MissingReason.ENDPLATE}
    total = one.stimulus_failure_probability + one.endplate_block_probability + one.overlooked_probability
    assert np.array_equal(np.isfinite(total), np.isnan(one.latency_us))
    assert np.allclose(total[np.isfinite(total)], 1.0)
    assert np.nanmax(one.overlooked_probability) < 1e-3  # 40 times the noise


def test_a_stretch_doubted_for_a_step_is_an_event(slipped: RecordingAnalysis) -> None:
    for fibre in slipped.fibres:
        thin = np.flatnonzero(fibre.verdict == GuardVerdict.THIN)
        assert (thin[0], thin[-1]) == (80, 159)
        (event,) = [one for one in fibre.events if "not believed" in one.sentence]
        assert (event.index, event.verdict) == (80, GuardVerdict.THIN)
        assert event.onset_s == pytest.approx(8.0)
        assert event.sentence.startswith("stimuli 81–160 not believed: latency rose by")


def test_undecided_misses_are_shared_out_in_words_and_figures() -> None:
    rng = np.random.default_rng(25)
    latency_us = 5000.0 + 15.0 * rng.standard_normal((120, 1))
    latency_us[rng.random(120) < 0.15] = np.nan
    (fibre,) = analysed(latency_us, np.full(120, 1.5), seed=26).fibres
    n = int(np.isnan(latency_us).sum())
    assert np.sum(fibre.missing == MissingReason.UNDECIDED) == n
    (said,) = [reason for reason in fibre.reasons if "undecided" in reason]
    endplate = float(np.nansum(fibre.endplate_block_probability))
    assert said == (
        f"{n} missing responses undecided: the endplate expected for {endplate:.1f}, "
        f"the stimulus for {np.nansum(fibre.stimulus_failure_probability):.1f}"
    )
    (plain,) = plain_result(1, RecordingAnalysis((fibre,), 120, np.zeros(120, dtype=bool), 1.0))["fibres"]
    assert sum(plain["missing_expected"].values()) == pytest.approx(n)
    assert plain["missing_expected"]["endplate"] == pytest.approx(endplate)


def test_nothing_is_concluded_from_the_misses_of_a_reflex() -> None:
    rng = np.random.default_rng(27)
    latency_us = 12000.0 + 400.0 * rng.standard_normal((100, 1))
    latency_us[rng.random(100) < 0.5] = np.nan
    (fibre,) = analysed(latency_us, np.full(100, 1.5), seed=28).fibres
    if not np.isnan(fibre.blocking_fraction):
        pytest.fail(f"origin {fibre.origin} was given a blocking of {fibre.blocking_fraction}")
    assert np.isnan(fibre.stimulus_failure_probability).all()
    (plain,) = plain_result(1, RecordingAnalysis((fibre,), 100, np.zeros(100, dtype=bool), 1.0))["fibres"]
    assert plain["missing_expected"]["stimulus"] is None


def test_events_and_causes_come_back_from_the_study_bit_for_bit(slipped: RecordingAnalysis) -> None:
    back = decode_analysis(encode_analysis(slipped))
    for before, after in zip(slipped.fibres, back.fibres, strict=True):
        assert before.events == after.events
        for one in dataclasses.fields(FibreAnalysis):
            first, second = getattr(before, one.name), getattr(after, one.name)
            if isinstance(first, np.ndarray) and first.dtype != object:
                assert first.tobytes() == second.tobytes()
            elif isinstance(first, np.ndarray):
                assert list(first) == list(second)
            else:
                assert repr(first) == repr(second)


def test_results_of_before_axons_were_told_are_still_read(slipped: RecordingAnalysis) -> None:
    later = {
        "endplate_block_probability", "overlooked_probability", "same_axon", "axon", "concomitant_misses",
        "concomitant_expected", "set_aside", "events",
    }  # fmt: skip
    plain = {
        "n_sweeps": slipped.n_sweeps,
        "rejected": slipped.rejected,
        "noise_uv": slipped.noise_uv,
        "reasons": slipped.reasons,
        "fibres": [
            {one.name: getattr(fibre, one.name) for one in dataclasses.fields(fibre) if one.name not in later}
            for fibre in slipped.fibres
        ],
    }
    back = decode_analysis(encode_json(plain))
    assert back.fibres[0].axon == -1
    assert back.fibres[0].events == ()
    assert back.fibres[0].mcd_us == slipped.fibres[0].mcd_us
    plain["fibres"][0].pop("verdict")
    with pytest.raises(ValueError, match="verdict"):
        decode_analysis(encode_json(plain))


def test_the_course_of_the_verdict_is_printed(scanned: RecordingAnalysis) -> None:
    console = Console(width=80, file=StringIO(), record=True)
    console.print(result_table(scanned, title="scan"))
    text = " ".join(console.export_text().split())
    verdict = scanned.fibres[0].verdict
    assert f"guard: {verdict[0]} from stimulus 1," in text
    changed = int(np.flatnonzero(verdict[1:] != verdict[:-1])[0]) + 1
    assert f"{verdict[changed]} from stimulus {changed + 1}" in text
    assert plain_result(1, scanned)["fibres"][1]["axon"] == 1


def test_what_was_set_aside_in_retrospect_never_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(29)
    latency_us = 5000.0 + 15.0 * rng.standard_normal((100, 1))
    true_judge = offline.judge

    def doubting(**given: object) -> tuple[FibreJudgement, ...]:
        (found,) = true_judge(**given)  # type: ignore[arg-type]  # handed on as it came
        set_aside = np.arange(100) < 60
        verdict = np.where(set_aside, GuardVerdict.UNTESTED, GuardVerdict.LOST).astype(object)
        return (dataclasses.replace(found, verdict=verdict, set_aside=set_aside),)

    monkeypatch.setattr(offline, "judge", doubting)
    (fibre,) = analysed(latency_us, np.full(100, 1.5), seed=30).fibres
    assert not fibre.admitted.any()
    assert fibre.n_pairs == 0
    assert "nothing admitted: the margin was not kept" in fibre.reasons
