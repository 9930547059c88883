"""Numbers kept in place, and sums along diagonals, against plain lists and numpy's own traces."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.measure.phasors import SlidingPhasors, sum_diagonals
from daemon.measure.rolling import Rolling


@given(steps=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 60)), max_size=30))
def test_what_is_kept_is_what_a_list_would_keep(steps: list[tuple[int, int]]) -> None:
    rolling, plain, n_given = Rolling(), list[float](), 0
    for n_new, n_old in steps:
        new = [float(n) for n in range(n_given, n_given + n_new)]
        n_given += n_new
        rolling.extend(n_new)[:] = new
        plain += new
        n_dropped = min(n_old, len(plain))
        rolling.drop(n_dropped)
        plain = plain[n_dropped:]
        assert rolling.values.tolist() == plain
        assert len(rolling) == len(plain)


@pytest.mark.parametrize(("n", "m"), [(1, 1), (4, 4), (10, 37), (16, 15), (16, 3)])
def test_sums_along_diagonals_are_traces(n: int, m: int) -> None:
    products = np.random.default_rng(n * m).normal(size=(2, n, m))
    expected = [np.trace(products[:, :, k : k + n], axis1=1, axis2=2) for k in range(m - n + 1)]
    found = sum_diagonals(products)
    assert found.shape == (2, max(0, m - n + 1))
    # Sums of at most 16 numbers of size 1: rounding only.
    traces = np.array(expected).reshape(-1, 2).T
    assert found == pytest.approx(traces, abs=1e-13)


@pytest.mark.parametrize("rate_hz", [4000, 11025, 16000])  # 11025: hops do not fill the window
def test_a_phasor_is_the_weighted_mean_of_its_window(rate_hz: int) -> None:
    """Against the definition, sample by sample."""
    step = 2 * np.pi * 60 / rate_hz
    volts = np.cos(1.003 * step * np.arange(rate_hz) + 0.4)
    phasors = SlidingPhasors(rate_hz, 60)
    size = phasors.sum_length
    found = phasors.feed(volts[: len(volts) // size * size])
    n_sums = round(4 * rate_hz / size / 60)
    hann = np.repeat(0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(n_sums) + 0.5) / n_sums), size)
    centre = np.repeat(size * np.arange(n_sums) + (size - 1) / 2, size)
    for number in (0, 1, len(found) - 1):
        first = number * phasors.spacing
        window = volts[first : first + n_sums * size] * hann
        expected = 2 * (window * np.exp(-1j * step * (first + centre))).sum() / hann.sum()
        assert found[number] == pytest.approx(expected, abs=1e-12)  # rounding only
        assert phasors.middle(np.array([number]))[0] == first + (n_sums * size - 1) / 2
