import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from gui.pictures.density import CountLayer, Raster

N_COLUMNS, N_ROWS = 23, 17


def _raster(n_samples: int, first_ms: float = 0.0, last_ms: float = 10.0) -> Raster:
    time_ms = np.linspace(0.0, 10.0, n_samples)
    return Raster(time_ms, first_ms=first_ms, last_ms=last_ms, n_columns=N_COLUMNS, n_rows=N_ROWS)


@given(
    samples=st.integers(2, 120).flatmap(
        lambda n: arrays(np.float32, n, elements=st.floats(-30, 30, width=32, allow_nan=False))
    ),
    ends=st.tuples(st.floats(-5, 8), st.floats(0.5, 12)),
)
def test_a_sweep_passes_through_the_pixels_that_its_polyline_passes_through(
    samples: np.ndarray, ends: tuple[float, float]
) -> None:
    """Beside the polyline sampled two hundred times a column."""
    first_ms, last_ms = ends[0], ends[0] + ends[1]
    raster = _raster(samples.size, first_ms, last_ms)
    cells = raster.cells(samples, top_uv=20.0, bottom_uv=-20.0)
    assert np.unique(cells).size == cells.size
    drawn = np.zeros((N_ROWS, N_COLUMNS), dtype=bool)
    drawn.reshape(-1)[cells] = True
    dense_ms = np.linspace(first_ms, last_ms, 200 * N_COLUMNS, endpoint=False) + (last_ms - first_ms) / (
        400 * N_COLUMNS
    )
    dense = np.interp(dense_ms, np.linspace(0, 10, samples.size), samples, left=np.nan, right=np.nan)
    rows = (dense - 20.0) * N_ROWS / -40.0
    for column in range(N_COLUMNS):
        part = rows[200 * column : 200 * (column + 1)]
        part = part[np.isfinite(part)]
        found = np.flatnonzero(drawn[:, column])
        if not part.size:
            assert found.size <= N_ROWS
            continue
        inside = part[(part >= 0.01) & (part < N_ROWS - 0.01)]
        # A row's edge may fall either way; what is drawn is within the polyline's reach and leaves no gap in it.
        sure = {int(row) for row in inside if abs(row - round(row)) > 0.01}
        assert sure <= set(found.tolist())
        if found.size:
            slack = 1.0 + np.max(np.abs(np.diff(part)), initial=0.0)
            assert found.min() >= np.floor(part.min()) - slack
            assert found.max() <= np.floor(part.max()) + slack
            assert np.array_equal(found, np.arange(found.min(), found.max() + 1))


@given(
    sweeps=st.lists(arrays(np.float32, 31, elements=st.floats(-25, 25, width=32, allow_nan=False)), max_size=25),
    capacity=st.integers(1, 8),
)
def test_counts_are_those_of_the_sweeps_held_counted_from_scratch(sweeps: list[np.ndarray], capacity: int) -> None:
    raster = _raster(31)
    layer = CountLayer(N_COLUMNS * N_ROWS, capacity)
    known = np.zeros(N_COLUMNS * N_ROWS, dtype=int)
    for sweep in sweeps:
        for changed in layer.add(raster.cells(sweep, top_uv=20.0, bottom_uv=-20.0)):
            known[changed] = layer.counts[changed]
    expected = np.zeros(N_COLUMNS * N_ROWS, dtype=int)
    for sweep in sweeps[-capacity:]:
        np.add.at(expected, raster.cells(sweep, top_uv=20.0, bottom_uv=-20.0), 1)
    assert np.array_equal(layer.counts, expected)
    assert np.array_equal(known, expected)  # what was said to have changed is all that has
    assert layer.n_sweeps == min(capacity, len(sweeps))


def test_missing_samples_leave_a_gap_and_infinite_ones_do_no_harm() -> None:
    samples = np.zeros(101, dtype=np.float32)
    samples[40:60] = np.nan
    samples[80] = np.inf
    cells = _raster(101).cells(samples, top_uv=20.0, bottom_uv=-20.0)
    columns = np.unique(cells % N_COLUMNS)
    assert {0, 8, 15, N_COLUMNS - 1} <= set(columns.tolist())
    assert not set(range(10, 13)) & set(columns.tolist())


@pytest.mark.parametrize("n_samples", [0, 1])
def test_nothing_to_draw_is_no_pixel(n_samples: int) -> None:
    raster = Raster(np.zeros(n_samples), first_ms=0.0, last_ms=1.0, n_columns=3, n_rows=3)
    assert raster.cells(np.zeros(n_samples, dtype=np.float32), top_uv=1.0, bottom_uv=-1.0).size == 0


def test_a_thick_curve_covers_more_rows() -> None:
    thin = _raster(50).cells(np.zeros(50, dtype=np.float32), top_uv=20.0, bottom_uv=-20.0)
    thick = _raster(50).cells(np.zeros(50, dtype=np.float32), top_uv=20.0, bottom_uv=-20.0, thickness=3)
    assert thin.size == N_COLUMNS
    assert thick.size == 3 * N_COLUMNS


@pytest.mark.parametrize(
    ("wrong", "what"), [({"n_columns": 0}, "n_columns"), ({"n_rows": -1}, "n_rows"), ({"last_ms": 0.0}, "last_ms")]
)
def test_impossible_pixels_are_refused(wrong: dict[str, float], what: str) -> None:
    usual = {"first_ms": 0.0, "last_ms": 1.0, "n_columns": 3, "n_rows": 3}
    with pytest.raises(ValueError, match=what):
        Raster(np.zeros(5), **(usual | wrong))
