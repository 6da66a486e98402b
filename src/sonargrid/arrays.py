"""Array types, and the one way in which records make their arrays read-only."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Numbers = float | NDArray[np.float64]  # what physics functions take: one value or an array of them
Floats32 = NDArray[np.float32]
Ints = NDArray[np.signedinteger[Any]]
Counts = NDArray[np.uint32]
Bools = NDArray[np.bool_]


def frozen(values: ArrayLike, dtype: Any = np.float64) -> NDArray[Any]:
    """Return `values` as a read-only array of `dtype`, copied only when it must be.

    >>> a = frozen([1, 2])
    >>> a.dtype.name, a.flags.writeable
    ('float64', False)
    """
    array = np.asarray(values, dtype=dtype)
    if array.flags.writeable:
        # a view costs nothing; the owner's own array stays writeable, so copy when somebody else owns it
        array = array.copy() if array is values else array.view()
        array.flags.writeable = False
    return array
