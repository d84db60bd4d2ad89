"""The rows of a problem applied, transposed and weighed by compiled loops (see :mod:`.compiled`).

A row array holds four blocks of differences of ``length`` places each; row r of D^m is at
m * length + pad + r and the ``pad`` (three points) before it stays zero, so that no loop needs cases.
Then for each face a block of K places, by knot; then the further rows.
"""

from __future__ import annotations

from sequencer.motion.compiled_band import jit


@jit
def apply_rows(x, scales, points, free, faces, span, coefficients, length, y):
    """y = rows of the extended points ``x`` (measured from the middles), offsets not subtracted.

    ``free`` is the first free value (0 in a loop), ``points`` the first behind those of the K points.
    """
    tracks = len(scales[0])
    pad = 3 * tracks
    knots = points // tracks
    for t in range(tracks):
        s0, s1, s2, s3 = scales[0][t], scales[1][t], scales[2][t], scales[3][t]
        first = free
        a, to = x[first:], y[pad + first :]
        for j in range(knots - first // tracks):
            to[j * tracks + t] = s0 * a[j * tracks + t]
        first = max(0, free - tracks)
        a, b, to = x[first:], x[first + tracks :], y[length + pad + first :]
        for j in range(knots - first // tracks):
            to[j * tracks + t] = s1 * (b[j * tracks + t] - a[j * tracks + t])
        first = max(0, free - 2 * tracks)
        a, b, c = x[first:], x[first + tracks :], x[first + 2 * tracks :]
        to = y[2 * length + pad + first :]
        for j in range(knots - first // tracks):
            i = j * tracks + t
            to[i] = s2 * (a[i] - 2.0 * b[i] + c[i])
        a, b, c, d, to = x, x[tracks:], x[2 * tracks :], x[3 * tracks :], y[3 * length + pad :]
        for j in range(knots):
            i = j * tracks + t
            to[i] = s3 * ((d[i] - a[i]) + 3.0 * (b[i] - c[i]))
    for f in range(faces.shape[0]):
        base = 4 * length + f * knots
        for j in range(free // tracks, knots):
            y[base + j] = faces[f, 0] * x[j * tracks] + faces[f, 1] * x[j * tracks + 1]
    base = 4 * length + faces.shape[0] * knots
    for i in range(len(span)):
        total = 0.0
        for k in range(4 * tracks):
            total += coefficients[i, k] * x[span[i] * tracks + k]
        y[base + i] = total


@jit
def transpose_rows(v, scales, points, free, faces, span, coefficients, length, out):
    """``out`` = transposed rows times ``v`` over the extended points."""
    tracks = len(scales[0])
    pad = 3 * tracks
    knots = points // tracks
    one, two, three = length + pad, 2 * length + pad, 3 * length + pad
    a, b0, b1 = v[pad:], v[one:], v[one - tracks :]
    c0, c1, c2 = v[two:], v[two - tracks :], v[two - 2 * tracks :]
    d0, d1, d2, d3 = v[three:], v[three - tracks :], v[three - 2 * tracks :], v[three - 3 * tracks :]
    for t in range(tracks):
        s0, s1, s2, s3 = scales[0][t], scales[1][t], scales[2][t], scales[3][t]
        for j in range(knots + 3):
            i = j * tracks + t
            out[i] = (
                s0 * a[i]
                + s1 * (b1[i] - b0[i])
                + s2 * (c0[i] - 2.0 * c1[i] + c2[i])
                + s3 * ((d3[i] - d0[i]) + 3.0 * (d1[i] - d2[i]))
            )
    for f in range(faces.shape[0]):
        base = 4 * length + f * knots
        for j in range(free // tracks, knots):
            out[j * tracks] += faces[f, 0] * v[base + j]
            out[j * tracks + 1] += faces[f, 1] * v[base + j]
    base = 4 * length + faces.shape[0] * knots
    for i in range(len(span)):
        for k in range(4 * tracks):
            out[span[i] * tracks + k] += coefficients[i, k] * v[base + i]


@jit
def weigh_rows(gram, w, scales, points, free, faces, span, coefficients, length, columns):
    """``columns`` = ``gram`` (lower bands) + A' diag(w) A, 4 * tracks numbers a column."""
    tracks = len(scales[0])
    size = 4 * tracks
    pad = 3 * tracks
    knots = points // tracks
    one, two, three = length + pad, 2 * length + pad, 3 * length + pad
    a, b0, b1 = w[pad:], w[one:], w[one - tracks :]
    c0, c1, c2 = w[two:], w[two - tracks :], w[two - 2 * tracks :]
    d0, d1, d2, d3 = w[three:], w[three - tracks :], w[three - 2 * tracks :], w[three - 3 * tracks :]
    for t in range(tracks):
        s0, s1 = scales[0][t] * scales[0][t], scales[1][t] * scales[1][t]
        s2, s3 = scales[2][t] * scales[2][t], scales[3][t] * scales[3][t]
        for j in range(knots + 3):
            i = j * tracks + t
            first = s1 * b0[i] + 2.0 * s2 * (c0[i] + c1[i]) + s3 * (3.0 * (d0[i] + d2[i]) + 9.0 * d1[i])
            second = s2 * c0[i] + 3.0 * s3 * (d0[i] + d1[i])
            middle = s1 * (b0[i] + b1[i]) + s2 * (c0[i] + 4.0 * c1[i] + c2[i])
            middle += s0 * a[i] + s3 * (d0[i] + d3[i] + 9.0 * (d1[i] + d2[i]))
            for o in range(size):
                columns[i * size + o] = gram[o, i]
            columns[i * size] += middle
            columns[i * size + tracks] -= first
            columns[i * size + 2 * tracks] += second
            columns[i * size + 3 * tracks] -= s3 * d0[i]
    for f in range(faces.shape[0]):
        base = 4 * length + f * knots
        one_one, one_two, two_two = faces[f, 0] ** 2, faces[f, 0] * faces[f, 1], faces[f, 1] ** 2
        for j in range(free // tracks, knots):
            column = j * tracks * size
            columns[column] += one_one * w[base + j]
            columns[column + 1] += one_two * w[base + j]
            columns[column + size] += two_two * w[base + j]
    base = 4 * length + faces.shape[0] * knots
    for i in range(len(span)):
        for k in range(size):
            scaled = coefficients[i, k] * w[base + i]
            column = (span[i] * tracks + k) * size
            for m in range(k, size):
                columns[column + m - k] += scaled * coefficients[i, m]


@jit
def gram_product(gram, x, per_point, out):
    """``out`` = the symmetric matrix of lower bands ``gram`` times ``x``."""
    size = 4 * len(per_point)
    band = gram[0]
    for p in range(len(x)):
        out[p] = band[p] * x[p]
    for o in range(1, size):
        band = gram[o]
        later, ahead = out[o:], x[o:]
        for p in range(len(later)):
            out[p] += band[p] * ahead[p]
        for p in range(len(later)):
            later[p] += band[p] * x[p]
