"""Logistic regression for what is right or wrong: rows of signs, the first 1, in; weights or chances out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def fitted(signs: Floats, wrong: Floats) -> Floats:
    """Return the weights of a logistic regression (Newton's method, a ridge of 0.5)."""
    weights = np.zeros(signs.shape[1])
    for _ in range(30):
        odds = chances(signs, weights)
        curve = (signs.T * (odds * (1 - odds))) @ signs + 0.5 * np.eye(len(weights))
        weights += np.linalg.solve(curve, signs.T @ (wrong - odds) - 0.5 * weights)
    return weights


def chances(signs: Floats, weights: Floats) -> Floats:
    """Return how likely each row is wrong, 0 to 1."""
    out: Floats = 1 / (1 + np.exp(-signs @ weights))
    return out


def left_out(pieces: Sequence[str], signs: Floats, wrong: Floats) -> Floats:
    """Return the chance of each row by weights fitted on all pieces but its own."""
    of, out = np.array(pieces), np.zeros(len(wrong))
    for piece in set(pieces):
        own = of == piece
        out[own] = chances(signs[own], fitted(signs[~own], wrong[~own]))
    return out
