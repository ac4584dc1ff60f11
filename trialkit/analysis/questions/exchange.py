"""What may change places under a design's blocks, for a test by permutation."""

from __future__ import annotations

from typing import Any

import numpy as np


class Exchange:
    """What the blocks let change places: blocks of one size with each other, strips within blocks.

    Parameters
    ----------
    labels : ndarray of str, shape (strips, levels)
        Field, then each level within it; fields stay where they are.
    """

    def __init__(self, labels: np.ndarray) -> None:
        self.strips = len(labels)
        self.fields = [_tree(own, labels[:, 1:]) for own in _parts(labels[:, 0])]

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        """Which strip's residual each strip gets, shape (strips,)."""
        out = np.empty(self.strips, dtype=int)
        for field in self.fields:
            out[_slots(field)] = _drawn(field, rng)
        return out


# Strips, or parts of a level by their size.
_Tree = np.ndarray | list[list[Any]]


def _tree(members: np.ndarray, labels: np.ndarray) -> _Tree:
    if not labels.shape[1]:
        return members
    parts = [members[own] for own in _parts(labels[members, 0])]
    return [
        [_tree(part, labels[:, 1:]) for part in parts if len(part) == size]
        for size in dict.fromkeys(map(len, parts))
    ]


def _slots(tree: _Tree) -> np.ndarray:
    if isinstance(tree, np.ndarray):
        return tree
    return np.concatenate([_slots(part) for same in tree for part in same])


def _drawn(tree: _Tree, rng: np.random.Generator) -> np.ndarray:
    if isinstance(tree, np.ndarray):
        return rng.permutation(tree)
    return np.concatenate(
        [_drawn(same[i], rng) for same in tree for i in rng.permutation(len(same))]
    )


def _parts(label: np.ndarray) -> list[np.ndarray]:
    _, first = np.unique(label, return_index=True)
    return [np.flatnonzero(label == label[i]) for i in sorted(first)]
