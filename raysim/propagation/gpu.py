"""Whether there is a graphics processor that kernels can run on, said in words.

The scalar kernels of `raysim.core` are the same for both kinds of machine; only the loops
around them differ: `gpu_rays` and `gpu_wave`. Needs the package numba-cuda and a driver.
"""

import importlib.util

from raysim.errors import Complaint, SettingsError


def why_no_gpu() -> str | None:
    """Say what is missing to run kernels on a GPU; None if nothing is."""
    if importlib.util.find_spec("numba_cuda") is None:
        return "the package numba-cuda is not installed"
    from numba import cuda

    if not cuda.is_available():
        return "there is no CUDA driver, or no device that it knows"
    return None


def check_gpu() -> None:
    """Complain if kernels cannot run on a GPU.

    Raises
    ------
    SettingsError
        RS-P04.
    """
    missing = why_no_gpu()
    if missing is not None:
        raise SettingsError(
            Complaint(
                "--on gpu",
                f"{missing}.",
                "Install it with `pip install 'raysim[gpu]'` on a machine with an NVIDIA card, "
                "or leave the option out: processors give the same within the stated error.",
                "RS-P04",
            )
        )
