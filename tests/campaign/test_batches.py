"""Which recordings one process reads: all, in their order, no several of them too large, of about the same size."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.campaign.batches import batched

SIZES = st.lists(st.integers(0, 300), max_size=40).map(lambda sizes: {f"r{i}": size for i, size in enumerate(sizes)})


@given(SIZES, st.floats(1.0, 400.0))
def test_every_recording_is_in_one_batch_in_its_place(sizes: dict[str, int], most: float) -> None:
    found = batched(sizes, most)
    assert [name for batch in found for name in batch] == list(sizes)
    assert all(found)
    for batch in found:
        assert len(batch) == 1 or sum(sizes[name] for name in batch) <= most


@pytest.mark.parametrize(
    ("sizes", "expected"),
    [
        ([10] * 10, [5, 5]),
        ([10] * 11, [6, 5]),
        ([10, 10, 70, 10, 10], [2, 1, 2]),
        ([70, 70], [1, 1]),
        ([0, 0, 0], [3]),
        ([], []),
    ],
)
def test_batches_are_even_and_what_is_too_large_stands_alone(sizes: list[int], expected: list[int]) -> None:
    assert [len(batch) for batch in batched({f"r{i}": size for i, size in enumerate(sizes)}, 60.0)] == expected
