"""What a start waits for: each kernel compiled once, and nothing loaded that rays do not need.

Truth: the signatures that the compiler has kept of each kernel, with no machine code to begin
with; the modules that a fresh process has loaded.
"""

import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np

TRACE = """
import sys
sys.path.insert(0, "tests")
from rooms import box_scene
from traced import prepared, ray_run
from raysim.core.beam import check_path
from raysim.core.emission import set_out
from raysim.core.ray_life import live
from raysim.propagation.images import arrivals

scene = box_scene()
room = prepared(scene)
ray_run(room, scene, 32, duration_s=0.1, orders=(2, 0))
arrivals(room, scene.sources[0], list(scene.receivers), 1)
print(*(len(kernel.signatures) for kernel in (live, set_out, check_path)))
"""


def said(code, **environment):
    """Run code in a fresh process and give what it prints."""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env=os.environ | environment, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    return done.stdout


def test_kernels_of_a_small_run_are_compiled_once(tmp_path):
    assert said(TRACE, XDG_CACHE_HOME=str(tmp_path)).split() == ["1", "1", "1"]


def test_a_number_of_the_loop_as_it_is_compiles_twice():
    """The twin: what `raysim.propagation.cpu` hands over as a signed integer, handed over."""

    @numba.njit
    def called(i):
        return 2.0 * i

    @numba.njit(parallel=True)
    def loop(out):
        for i in numba.prange(out.size):
            out[i] = called(i)

    out = np.zeros(4)
    loop(out)
    assert out.tolist() == [0.0, 2.0, 4.0, 6.0]
    assert len(called.signatures) == 2


def loaded_with(code):
    return set(said(f"{code}\nimport sys; print(*sys.modules)").split())


def test_rays_wait_for_no_filters():
    """Filters and statistics take half of all loading, and are not needed before the page."""
    assert not {"scipy.signal", "scipy.stats"} & loaded_with("import raysim.study")
    assert "scipy.signal" in loaded_with("import raysim.study, scipy.signal")  # the twin
