"""Compile policy: the one place that decides how kernels become machine code.

Set ``NUMBA_DISABLE_JIT=1`` to run every kernel as plain Python (slow; for coverage and debugging).
"""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba.core import config as numba_config

from thumbline.dsp.machine_code.kernel_files import install

#: Numba's settings, which its type hints do not list.
_numba_settings: Any = numba_config

F = TypeVar("F", bound=Callable[..., object])


def kernel(function: F) -> F:
    """Compile ``function`` with Numba in nopython mode when it is first called.

    Of fast-math only fused multiply-add is allowed: the compiler must not regroup sums, and NaN must stay visible to
    the checks that replace it. Division follows IEEE 754 instead of raising, as in NumPy.
    """
    return cast("F", numba.njit(cache=True, error_model="numpy", fastmath={"contract"}, nogil=True)(function))


# Straight-line code for four strings becomes vector code; Numba leaves this to the user.
_numba_settings.SLP_VECTORIZE = 1
install()
