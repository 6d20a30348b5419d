"""The area that touches the patient: as samples, and the least it may be where nobody told it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ContactArea:
    """Contact area of one item, shape (samples,). [m2] Where it is known both are the same."""

    drawn: np.ndarray
    least: np.ndarray

    def residue(self, amount: np.ndarray) -> np.ndarray:
        """Return amounts per contact area, shape (..., samples). [kg/m2]

        The area divides the residue: were a blank sampled all through, it would be better news
        than a small area that is known. So the upper half of the amounts lies on the least area,
        which makes the 95 % point that of the least area; the lower half lies on the area drawn.
        """
        half = np.median(amount, axis=-1, keepdims=True)
        return amount / np.where(amount > half, self.least, self.drawn)
