"""The kinds of arrays that pass between functions."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Reals: TypeAlias = NDArray[np.float64]
"""Real numbers in double precision: levels, powers, frequencies."""

Samples: TypeAlias = NDArray[np.float32]
"""Samples as they stream: frames first, channels second where there are several."""

Flags: TypeAlias = NDArray[np.bool_]
"""Yes or no for each element."""
