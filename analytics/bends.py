"""Bends of several components side by side: what `Bend` says of one, of all in the same few steps."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.baseline import Bend, past_data

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Bends:
    """Bins and gains of bends, the shorter ones filled up; made for a few values a draw (see `Bend.drawn` for many)."""

    def __init__(self, bends: Sequence[Bend]) -> None:
        count, bins = len(bends), max(len(b.gain) for b in bends)
        draws = bends[0].gain.shape[1]
        self._inner = np.full((count, bins - 1), np.inf)  # edges between bins
        self._begins = np.zeros((count, bins))
        self._end, self._fall = np.array([(b.edges[-1], b.fall) for b in bends]).T
        self._at, self._gain = np.zeros((2, count, bins, draws))
        self._mean_at, self._mean_gain = np.zeros((2, count, bins, 1))
        self._last, self._mean_last = np.empty((count, draws)), np.empty((count, 1))
        for i, bend in enumerate(bends):
            held, (mean_at, mean_gain, mean_last) = len(bend.gain), bend.means
            self._inner[i, : held - 1] = bend.edges[1:-1]
            self._begins[i, :held] = bend.edges[:-1]
            self._at[i, :held], self._gain[i, :held] = bend.at_edge[:-1], bend.gain
            self._mean_at[i, :held, 0], self._mean_gain[i, :held, 0] = mean_at[:-1], mean_gain
            self._last[i], self._mean_last[i] = bend.gain[-1], mean_last

    def drawn(self, hazard: Floats, which: Ints) -> Floats:
        """Lambda with each draw's own gains; `hazard` is (rows, draws, n), and `which` the bend of each row."""
        return self._read(hazard, which, self._bin(hazard, which), self._at, self._gain, self._last)

    def mean(self, hazard: Floats, which: Ints) -> Floats:
        """Lambda with the mean gains; `hazard` is (rows, a, b)."""
        return self._read(hazard, which, self._bin(hazard, which), self._mean_at, self._mean_gain, self._mean_last)

    def drawn_and_mean(self, hazard: Floats, which: Ints) -> tuple[Floats, Floats]:
        """Both, of (rows, draws, n)."""
        bins = self._bin(hazard, which)
        drawn = self._read(hazard, which, bins, self._at, self._gain, self._last)
        return drawn, self._read(hazard, which, bins, self._mean_at, self._mean_gain, self._mean_last)

    def _bin(self, hazard: Floats, which: Ints) -> Ints:
        """The bin of each hazard, among those of its bend."""
        out = np.zeros(hazard.shape, dtype=np.int64)
        for edge in self._inner[which].T:
            out += hazard > edge[:, None, None]
        return out

    def _read(self, hazard: Floats, which: Ints, bins: Ints, at_edge: Floats, gain: Floats, last: Floats) -> Floats:
        draws, end = at_edge.shape[2], self._end[which][:, None, None]
        begins = bins + (which * self._begins.shape[1])[:, None, None]  # of bins laid out one after the other
        place = begins if draws == 1 else begins * draws + np.arange(draws)[:, None]
        out = gain.take(place)
        out *= np.minimum(hazard, end) - self._begins.take(begins)
        out += at_edge.take(place)
        past = hazard > end
        if past.any():
            of_row = self._fall[which][:, None, None], last[which][..., None]
            end, fall, own = (np.broadcast_to(values, hazard.shape)[past] for values in (end, *of_row))
            out[past] += past_data(hazard[past], end, fall, own)
        return out


@lru_cache(maxsize=8)  # those of the parts of a few models that are asked about in turn
def bends_of(bends: tuple[Bend, ...]) -> Bends:
    """The same bends side by side each time."""
    return Bends(bends)
