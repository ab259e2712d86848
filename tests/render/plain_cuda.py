"""CUDA kernels compiled as plain C++, one thread after another: to test them without a device."""

from __future__ import annotations

import ctypes
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np

# Just enough of the language to run one thread after another.
SHIM = """
#include <algorithm>
#include <cmath>
#include <cstdlib>
using std::min; using std::max; using std::fmin; using std::fmax;
struct Index { long long x, y; };
static Index blockIdx, blockDim, threadIdx;
#define __global__
#define __device__
#define __forceinline__ inline
static inline int atomicAdd(int *at, int by) { int was = *at; *at += by; return was; }
static inline float cospif(float x) { return (float)std::cos(3.14159265358979 * x); }
"""
KERNEL = re.compile(r'extern "C" __global__ void (\w+)\(([^)]*)\)')


class PlainDevice:
    """A `film_cuda.Device` made of numpy and a C++ compiler."""

    xp = np

    def __init__(self, source: Path, folder: Path, **defined: float) -> None:
        text = source.read_text()
        calls = []
        for name, parameters in KERNEL.findall(text):
            names = [re.split(r"[\s*]+", parameter)[-1] for parameter in parameters.split(",")]
            calls.append(
                f'extern "C" void call_{name}(long long threads, int films, {parameters}) {{\n'
                "    blockDim.x = 1; threadIdx.x = 0;\n"
                "    for (blockIdx.y = 0; blockIdx.y < films; blockIdx.y++)\n"
                "        for (blockIdx.x = 0; blockIdx.x < threads; blockIdx.x++)\n"
                f"            {name}({', '.join(names)});\n}}"
            )
        code = folder / "kernels.cpp"
        code.write_text("\n".join([SHIM, text, *calls]))
        compiler = shutil.which("g++")
        assert compiler is not None
        library = folder / "kernels.so"
        words = ["-std=c++14", "-O2", "-ffp-contract=off", "-fwrapv", "-shared", "-fPIC"]
        words += ["-Wno-unknown-pragmas", *(f"-D{name}={value}" for name, value in defined.items())]
        subprocess.run([compiler, *words, "-o", library, code], check=True)
        self.library = ctypes.CDLL(str(library))

    def start(self, name: str, threads: int, films: int, arguments: tuple[Any, ...]) -> None:
        """Runs one kernel to its end."""
        given = []
        for value in arguments:
            if isinstance(value, np.ndarray):
                assert value.flags.c_contiguous
                given.append(value.ctypes.data_as(ctypes.c_void_p))
            else:
                given.append(ctypes.c_int(value))
        getattr(self.library, f"call_{name}")(ctypes.c_longlong(threads), films, *given)
