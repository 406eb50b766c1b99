"""Limits of jitter as published. PUB: read in the publication or its abstract."""

import pytest

from acq.study.reference_limits import all_limits, propose_limit

ORBICULARIS, FRONTALIS, EXTENSOR = "orbicularis oculi", "frontalis", "extensor digitorum"
CONCENTRIC, SINGLE_FIBRE = "concentric", "single_fibre"

# Muscle, electrode, upper limit of the mean MCD and of a single endplate's (µs), source, mark. All of them stimulated.
PUBLISHED = [
    # Stålberg et al. 2016, Muscle Nerve 53:351; many centres, 20 recordings a subject. PUB
    (ORBICULARIS, CONCENTRIC, 27.0, 36.0, ("Stålberg", "2016", "Muscle Nerve 53:351"), "PUB"),
    (FRONTALIS, CONCENTRIC, 21.0, 28.0, ("Stålberg", "2016", "Muscle Nerve 53:351"), "PUB"),
    (EXTENSOR, CONCENTRIC, 24.0, 35.0, ("Stålberg", "2016", "Muscle Nerve 53:351"), "PUB"),
    # Kouyoumdjian & Stålberg 2011, Clin Neurophysiol 122:617; n = 50, 1500 potentials. PUB
    (ORBICULARIS, CONCENTRIC, 26.0, 34.0, ("Kouyoumdjian", "2011", "Clin Neurophysiol 122:617"), "PUB"),
    # Trontelj, Khuraibet & Mihelin 1988, JNNP 51:814; mean limit: of the median of 20. PUB
    (ORBICULARIS, SINGLE_FIBRE, 18.0, 30.0, ("Trontelj", "1988", "51:814"), "PUB"),
    # Trontelj et al. 1986, JNNP 49:677; mean limit: of the mean of 30. PUB
    (EXTENSOR, SINGLE_FIBRE, 25.0, 40.0, ("Trontelj", "1986", "49:677"), "PUB"),
    # Kokubun et al. 2012, Clin Neurophysiol 123:613; +2.5 SD, six centres, below 60 years. PUB (its authors MEM)
    (EXTENSOR, CONCENTRIC, None, 58.8, ("Kokubun", "2012", "Clin Neurophysiol 123:613"), "PUB"),
    (FRONTALIS, CONCENTRIC, None, 51.0, ("Kokubun", "2012", "Clin Neurophysiol 123:613"), "PUB"),
    # Muscle Nerve 2006, stimulated jitter in the masseter; n = 19, 426 endplates. PUB (its authors not seen)
    ("masseter", SINGLE_FIBRE, 21.0, 30.0, ("2006", "Muscle Nerve"), "PUB"),
    # Front Neurol 2022, 10.3389/fneur.2022.957174; n = 32. PUB
    ("tibialis anterior", CONCENTRIC, 26.0, 34.0, ("2022", "10.3389/fneur.2022.957174"), "PUB"),
]

# Stålberg et al. 2016, Muscle Nerve 53:351, voluntary, concentric; PUB. Higher, since two endplates take part.
VOLUNTARY = {ORBICULARIS: (31.0, 45.0), FRONTALIS: (28.0, 38.0), EXTENSOR: (30.0, 43.0)}

# What one study must not be held against; the first that was published for many centres goes before one laboratory's.
PROPOSED = {
    (ORBICULARIS, CONCENTRIC): (27.0, 36.0),
    (FRONTALIS, CONCENTRIC): (21.0, 28.0),
    (EXTENSOR, CONCENTRIC): (24.0, 35.0),
    (ORBICULARIS, SINGLE_FIBRE): (18.0, 30.0),
    (EXTENSOR, SINGLE_FIBRE): (25.0, 40.0),
    ("masseter", SINGLE_FIBRE): (21.0, 30.0),
    ("tibialis anterior", CONCENTRIC): (26.0, 34.0),
}


def test_the_stimulated_limits_are_those_published_and_no_others():
    ours = [
        (limit.muscle, limit.electrode, limit.mean_us, limit.individual_us)
        for limit in all_limits()
        if limit.activation == "stimulated"
    ]
    assert sorted(ours, key=repr) == sorted((row[:4] for row in PUBLISHED), key=repr)


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row[0]}-{row[1]}-{row[4][0]}-{row[3]:g}")
def test_each_limit_names_its_own_source_and_is_marked_no_better_than_it_was_read(row):
    muscle, electrode, mean_us, individual_us, source, mark = row
    [limit] = [
        one
        for one in all_limits()
        if (one.muscle, one.electrode, one.mean_us, one.individual_us) == (muscle, electrode, mean_us, individual_us)
        and one.activation == "stimulated"
    ]
    assert all(part in limit.source for part in source)
    assert limit.mark == mark


def test_what_was_not_seen_of_a_source_is_said():
    for limit in all_limits():
        if "123:613" in limit.source:
            assert "from memory" in limit.source
        if "masseter" in limit.muscle:
            assert "not seen" in limit.source


def test_every_entry_has_source_mark_and_a_way_of_activation():
    for limit in all_limits():
        assert limit.source.strip()
        assert limit.mark in {"PUB", "SEC", "PRACTICE", "MEM", "DER"}
        assert limit.electrode in {CONCENTRIC, SINGLE_FIBRE}
        assert limit.activation in {"stimulated", "voluntary"}
        assert limit.mean_us is None or 0 < limit.mean_us < limit.individual_us


@pytest.mark.parametrize(("muscle", "electrode"), PROPOSED)
def test_proposed_is_the_limit_of_that_muscle_and_that_electrode(muscle, electrode):
    limit = propose_limit(muscle=muscle, electrode=electrode)
    assert limit is not None
    assert (limit.muscle, limit.electrode) == (muscle, electrode)
    assert (limit.mean_us, limit.individual_us) == PROPOSED[muscle, electrode]


def test_nothing_else_is_proposed():
    electrodes = (CONCENTRIC, SINGLE_FIBRE, "surface", "")
    muscles = {limit.muscle for limit in all_limits()} | {"biceps brachii", "Frontalis", "", "oculi"}
    proposed = {
        (muscle, electrode)
        for muscle in muscles
        for electrode in electrodes
        if propose_limit(muscle=muscle, electrode=electrode) is not None
    }
    assert proposed == set(PROPOSED)


def test_no_voluntary_limit_is_ever_proposed():
    for limit in (propose_limit(muscle=muscle, electrode=electrode) for muscle, electrode in PROPOSED):
        assert limit is not None
        assert limit.activation == "stimulated"
        voluntary = VOLUNTARY.get(limit.muscle)
        if limit.electrode == CONCENTRIC and voluntary is not None:
            # A stimulated potential has one endplate: its limits are below those of a pair.
            assert limit.mean_us is not None
            assert limit.mean_us < voluntary[0]
            assert limit.individual_us < voluntary[1]


def test_a_voluntary_limit_added_to_the_table_stays_unproposed(monkeypatch):
    from acq.study import reference_limits

    voluntary = reference_limits.ReferenceLimit(
        muscle="biceps brachii",
        electrode=CONCENTRIC,
        activation="voluntary",
        mean_us=31.0,
        individual_us=45.0,
        notes="",
        source="a laboratory's own",
        mark="PRACTICE",
    )
    monkeypatch.setattr(reference_limits, "all_limits", lambda: (voluntary, *all_limits()))
    assert propose_limit(muscle="biceps brachii", electrode=CONCENTRIC) is None
