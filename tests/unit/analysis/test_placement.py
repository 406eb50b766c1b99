"""The choice of the next intensity of a search, against plain loops, the method of others, and identities."""

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import entropy, norm

from acq.analysis.placement import expected_entropy, place_next
from acq.analysis.threshold import Belief, ThresholdFilter

CANDIDATES_MA = np.round(np.arange(0.5, 1.65, 0.05), 2)
SPREADS = np.array([0.01, 0.0155, 0.024, 0.0375, 0.058, 0.09])


def make_belief(
    *, centre_ma: float = 1.0, width: float = 0.08, blocking: float = 0.0, spreads: Sequence[float] = (0.02,)
) -> Belief:
    """Gaussian in ln θ, every spread as likely as the other, one blocking."""
    log_theta = np.arange(math.log(0.4), math.log(2.0), 0.008)
    weight = np.repeat(norm.pdf(log_theta, math.log(centre_ma), width)[:, None], len(spreads), axis=1)
    weight /= weight.sum()
    return Belief(log_theta, np.array(spreads), weight, blocking * weight)


def entropy_after(belief: Belief, intensity_ma: float, pending_ma: Sequence[float]) -> float:
    """Expected entropy of ln θ, outcome by outcome and cell by cell."""
    expected = 0.0
    for outcomes in itertools.product((True, False), repeat=len(pending_ma) + 1):
        joint = np.zeros(belief.log_theta.size)
        for t, log_theta in enumerate(belief.log_theta):
            for r, spread in enumerate(belief.spreads):
                weight = belief.weight[t, r]
                for responded, current_ma in zip(outcomes, (*pending_ma, intensity_ma), strict=True):
                    fires = norm.cdf((current_ma / math.exp(log_theta) - 1.0) / spread)
                    responds = fires * (1.0 - belief.blocked[t, r] / belief.weight[t, r])
                    weight *= responds if responded else 1.0 - responds
                joint[t] += weight
        expected += joint.sum() * entropy(joint) if joint.sum() > 0.0 else 0.0
    return expected


@pytest.mark.parametrize("pending_ma", [(), (1.05,), (0.9, 1.2)])
@pytest.mark.parametrize("blocking", [0.0, 0.3])
def test_expected_entropy_is_the_sum_over_all_outcomes(pending_ma: tuple[float, ...], blocking: float) -> None:
    belief = make_belief(blocking=blocking, spreads=(0.01, 0.05))
    found = expected_entropy(belief, intensity_ma=np.array([0.8, 0.97, 1.3]), pending_ma=pending_ma)
    direct = [entropy_after(belief, intensity_ma, pending_ma) for intensity_ma in (0.8, 0.97, 1.3)]
    # Which is the better one counts, not what the cells of the tails, left out or put together, add to each.
    assert np.diff(found) == pytest.approx(np.diff(direct), abs=2e-3)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    centre_ma=st.floats(0.7, 1.3),
    width=st.floats(0.02, 0.15),
    blocking=st.floats(0.0, 0.6),
    pending_ma=st.lists(st.floats(0.5, 1.6), max_size=3),
)
def test_a_stimulus_tells_something_and_at_most_one_bit(
    centre_ma: float, width: float, blocking: float, pending_ma: list[float]
) -> None:
    # Mutual information of ln θ and one yes or no: between 0 and ln 2.
    belief = make_belief(centre_ma=centre_ma, width=width, blocking=blocking, spreads=SPREADS)
    # An intensity that surely is answered by no fibre at all tells nothing: the entropy before.
    before = expected_entropy(belief, intensity_ma=np.array([0.01]), pending_ma=pending_ma)
    told = before - expected_entropy(belief, intensity_ma=CANDIDATES_MA, pending_ma=pending_ma)
    assert np.all(told >= -1e-9)
    assert np.all(told <= math.log(2.0) + 1e-9)
    if not pending_ma:
        assert before == pytest.approx(entropy(belief.weight.sum(axis=1)), abs=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_the_choice_is_that_of_questplus(seed: int) -> None:
    # Watson, QUEST+, J. Vision 17(3):10 (2017), as the package questplus has it. It has one spread in mA, so the
    # spread here is small enough for the two to be one at 1 mA, and nothing but the threshold is unknown.
    questplus = pytest.importorskip("questplus")
    rng = np.random.default_rng(seed)
    theta_ma = np.exp(np.arange(math.log(0.9), math.log(1.1), 0.004))
    spread, blocking = 0.015, 0.2
    search = questplus.QuestPlus(
        stim_domain={"intensity": CANDIDATES_MA.tolist()},
        param_domain={"mean": theta_ma.tolist(), "sd": [spread], "lower_asymptote": [0.0], "lapse_rate": [blocking]},
        outcome_domain={"response": ["yes", "no"]},
        func="norm_cdf",
        stim_scale="linear",
    )
    weight = np.full((theta_ma.size, 1), 1.0 / theta_ma.size)
    for _ in range(6):
        belief = Belief(np.log(theta_ma), np.array([spread]), weight, blocking * weight)
        chosen_ma = place_next([belief], candidates_ma=CANDIDATES_MA)
        entropies = expected_entropy(belief, intensity_ma=CANDIDATES_MA)
        theirs_ma = float(search.next_stim["intensity"])
        theirs = entropies[np.flatnonzero(np.isclose(theirs_ma, CANDIDATES_MA))[0]]
        # Where two intensities are as good as each other but for the spread's meaning, either is right.
        assert entropies.min() == pytest.approx(theirs, abs=0.01), (chosen_ma, theirs_ma)
        responds = (1.0 - blocking) * norm.cdf((chosen_ma / theta_ma - 1.0) / spread)[:, None]
        responded = bool(rng.random() < responds[theta_ma.size // 2, 0])
        weight = weight * (responds if responded else 1.0 - responds)
        weight /= weight.sum()
        search.update(stim={"intensity": chosen_ma}, outcome={"response": "yes" if responded else "no"})


def test_a_known_threshold_is_tested_where_half_the_stimuli_are_answered() -> None:
    # Without blocking and with a spread that is small against what is not known: the median halves it.
    belief = make_belief(centre_ma=1.0, width=0.15, spreads=(0.005,))
    assert place_next([belief], candidates_ma=CANDIDATES_MA) == pytest.approx(1.0)


def test_what_is_pending_moves_the_choice() -> None:
    belief = make_belief(centre_ma=1.0, width=0.15, spreads=(0.005,))
    candidates_ma = np.round(np.arange(0.6, 1.5, 0.01), 2)
    first_ma = place_next([belief], candidates_ma=candidates_ma)
    second_ma = place_next([belief], candidates_ma=candidates_ma, pending_ma=[first_ma])
    # The answer on its way will halve what is not known; asking the same again would tell next to nothing.
    assert abs(math.log(second_ma / first_ma)) > 0.05
    again = expected_entropy(belief, intensity_ma=np.array([first_ma, second_ma]), pending_ma=[first_ma])
    assert again[1] < again[0] - 0.2


def test_only_the_newest_of_many_pending_count() -> None:
    belief = make_belief()
    five = expected_entropy(belief, intensity_ma=CANDIDATES_MA, pending_ma=[0.6, 1.0, 1.1, 0.9, 1.05])
    four = expected_entropy(belief, intensity_ma=CANDIDATES_MA, pending_ma=[1.0, 1.1, 0.9, 1.05])
    assert five == pytest.approx(four)


def test_the_order_of_what_is_pending_does_not_matter() -> None:
    belief = make_belief(blocking=0.2, spreads=SPREADS)
    one, other = (
        expected_entropy(belief, intensity_ma=CANDIDATES_MA, pending_ma=pending_ma)
        for pending_ma in ([0.9, 1.0, 1.2], [1.2, 0.9, 1.0])
    )
    assert one == pytest.approx(other, abs=1e-12)


def test_axons_are_added_up() -> None:
    # The one that is hardly known draws the choice; two at once are served where their sum is least.
    known, unknown = make_belief(centre_ma=0.8, width=0.01), make_belief(centre_ma=1.3, width=0.12)
    assert abs(place_next([known, unknown], candidates_ma=CANDIDATES_MA) - 1.3) <= 0.1
    total = sum(expected_entropy(one, intensity_ma=CANDIDATES_MA) for one in (known, unknown))
    chosen_ma = place_next([known, unknown], candidates_ma=CANDIDATES_MA)
    assert chosen_ma == CANDIDATES_MA[int(np.argmin(total))]
    assert place_next([unknown, known], candidates_ma=CANDIDATES_MA) == chosen_ma


def test_of_equally_good_intensities_the_lowest_is_chosen() -> None:
    # All of them far above what may be: none tells anything, so the weakest stimulus will do.
    belief = make_belief(centre_ma=0.6, width=0.01, spreads=(0.01,))
    assert place_next([belief], candidates_ma=np.array([1.2, 1.3, 1.4])) == 1.2


def test_blocking_sends_stimuli_far_above_threshold() -> None:
    # With blocking unknown a miss is ambiguous until stimuli well above have told how often the endplate blocks.
    known = ThresholdFilter(centre_ma=1.0)
    chosen = []
    rng = np.random.default_rng(3)
    for _ in range(60):
        intensity_ma = place_next([known.belief()], candidates_ma=CANDIDATES_MA)
        fired = intensity_ma > 1.0 + 0.02 * rng.standard_normal()
        known.update(intensity_ma=intensity_ma, responded=bool(fired and rng.random() >= 0.5))
        known.predict(dt_s=0.1)
        chosen.append(intensity_ma)
    assert np.mean(np.array(chosen) >= 1.1) > 0.15


@pytest.mark.parametrize(
    ("beliefs", "candidates_ma", "match"),
    [
        ([], np.array([1.0]), "at least one axon"),
        ([make_belief()], np.array([]), "at least one intensity"),
        ([make_belief()], np.array([0.0, 1.0]), "all above 0"),
        ([make_belief()], np.array([math.nan]), "all above 0"),
        ([make_belief()], np.array([[1.0]]), "at least one intensity"),
    ],
)
def test_what_cannot_be_chosen_from_is_refused(beliefs: list[Belief], candidates_ma: np.ndarray, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        place_next(beliefs, candidates_ma=candidates_ma)
