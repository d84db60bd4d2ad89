"""The constraint rows of a problem, each normalised to [-1, 1], applied without building a matrix.

Points of tracks solved together are interleaved: value j * tracks + i is point j of track i, so that a
difference over one knot is a difference over ``tracks`` values, for every track at once.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from sequencer.motion.further import Further
from sequencer.motion.problem import DIFFERENCES, Problem
from sequencer.motion.spline import Floats

#: Stands for an order of difference where a row is one of the problem's further rows.
FURTHER = 4


class Rows:
    """y = (points - middle)/half, D1/b1, D2/b2, D3/b3, the faces of the polygon, the further rows, stacked.

    A face a c1 + b c2 <= limit has no lower side of its own; it gets the least value that the box leaves
    it, which never binds, so that every row has two sides. All but the further rows are limited to 1.
    """

    def __init__(self, problem: Problem) -> None:
        parts = problem.parts
        spans, tracks = problem.spans, len(parts)
        self.tracks = tracks
        self.points = spans * tracks
        #: for each order of difference, each track's 1 / limit
        self.per_track = tuple(
            tuple(1.0 / (part.half_range, *part.bounds)[order] for part in parts) for order in range(4)
        )
        scales = self.per_track
        self.firsts = tuple(parts[0].first_row(order) * tracks for order in range(4))
        counts = [self.points - first for first in self.firsts]
        #: a number for one track; as long as the rows for several
        self.scales = tuple(
            scale[0] if tracks == 1 else np.tile(scale, count // tracks)
            for scale, count in zip(scales, counts, strict=True)
        )
        self.faces = tuple(face.centred(parts[0], parts[1]) for face in problem.faces)
        counts += [spans - parts[0].first_row(0)] * len(self.faces)
        self.further = None if problem.rows is None else Further(problem)
        if self.further is not None:
            counts.append(len(self.further))
        stops = np.cumsum([0, *counts])
        self.parts = tuple(slice(int(a), int(b)) for a, b in itertools.pairwise(stops))
        self.count = int(stops[-1])
        #: what a face's or a further row is for points in the middle, negative; None without such rows
        self.offset: Floats | None = None
        #: what each row's size is limited to
        self.limit: Floats | float = 1.0
        #: the rows that may be broken, and what a unit of each costs in the objective
        self.soft = slice(self.count, self.count)
        self.price: Floats = np.empty(0)
        if self.faces or self.further is not None:
            self.offset = np.zeros(self.count)
            for (_, _, offset), part in self._faces():
                self.offset[part] = offset
        if self.further is not None and self.offset is not None:
            self.offset[self.parts[-1]] = self.further.offset
            self.limit = np.ones(self.count)
            self.limit[self.parts[-1]] = self.further.limit
            self.price = self.further.price
            self.soft = slice(self.count - len(self.price), self.count)
        self._kernels = tuple(
            tuple(
                (track, offset * tracks, scales[order][track] ** 2 * row[: len(row) - offset] * row[offset:])
                for track in range(tracks)
                for offset in range(len(row))
            )
            for order, row in enumerate(DIFFERENCES)
        )

    def _faces(self) -> Iterator[tuple[tuple[float, float, float], slice]]:
        return zip(self.faces, self.parts[4 : 4 + len(self.faces)], strict=True)

    def apply(self, centred: Floats, out: Floats) -> None:
        """Rows of the extended points (measured from the middle), without :attr:`offset`."""
        difference = centred
        tracks = self.tracks
        for order in range(4):
            if order:
                difference = difference[tracks:] - difference[:-tracks]
            np.multiply(
                difference[self.firsts[order] : self.points], self.scales[order], out=out[self.parts[order]]
            )
        if self.faces:
            one = centred[self.firsts[0] : self.points : 2]
            other = centred[self.firsts[0] + 1 : self.points : 2]
            for (a, b, _), part in self._faces():
                out[part] = a * one + b * other
        if self.further is not None:
            out[self.parts[-1]] = self.further.apply(centred)

    def transpose(self, rows: Floats) -> Floats:
        """Transposed rows times ``rows``, over the extended points (Horner over differences)."""
        tracks = self.tracks
        total = self.scales[3] * rows[self.parts[3]]
        for order in (2, 1, 0):
            wider = np.empty(len(total) + tracks)
            np.negative(total, out=wider[:-tracks])
            wider[-tracks:] = 0.0
            wider[tracks:] += total
            wider[self.firsts[order] : self.points] += self.scales[order] * rows[self.parts[order]]
            total = wider
        for (a, b, _), part in self._faces():
            total[self.firsts[0] : self.points : 2] += a * rows[part]
            total[self.firsts[0] + 1 : self.points : 2] += b * rows[part]
        if self.further is not None:
            self.further.add_transpose(rows[self.parts[-1]], total)
        return total

    def add_weighted_gram(self, weights: Floats, bands: Floats) -> None:
        """Add A' diag(weights) A to lower bands over the extended points."""
        tracks = self.tracks
        for order, kernels in enumerate(self._kernels):
            w = weights[self.parts[order]]
            first = self.firsts[order]
            for track, offset, kernel in kernels:
                spread = np.convolve(w[track::tracks], kernel)
                bands[offset, first + track : first + track + len(spread) * tracks : tracks] += spread
        first, last = self.firsts[0], self.points
        for (a, b, _), part in self._faces():
            w = weights[part]
            bands[0, first:last:2] += a * a * w
            bands[0, first + 1 : last : 2] += b * b * w
            bands[1, first:last:2] += a * b * w
        if self.further is not None:
            self.further.add_weighted_gram(weights[self.parts[-1]], bands)

    def name(self, at: int) -> tuple[int, int, int]:
        """(order, row in knots, track) of row ``at``.

        A face is of order 0 and of both tracks (track 0); a further row is of order :data:`FURTHER`, its
        row is its place in the problem's list.
        """
        block = max(block for block, part in enumerate(self.parts) if part.start <= at)
        inside = at - self.parts[block].start
        if block >= 4 + len(self.faces) and self.further is not None:
            return FURTHER, int(self.further.which[inside]), 0
        if block >= 4:
            return 0, inside + self.firsts[0] // self.tracks, 0
        row = inside + self.firsts[block]
        return block, row // self.tracks, row % self.tracks
