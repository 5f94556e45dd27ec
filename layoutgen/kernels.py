"""Kernels: functions compiled to machine code, and the first run on a machine made short.

A `kernel` is compiled when it is first called with arguments of some types and kept on disk for all later
runs. An `inner` one is called by kernels alone and becomes a part of them. Both let other threads run
meanwhile, and a division by zero in them gives what the processor gives.

Compiling takes longer than a small build. Where a build finds that it has to, `compiled_beside` has a second
process compile the kernels that come late in a build, those that were declared with the types that they are
called with, while the first one compiles its own and works. Each finds on disk what the other has done.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any

import numba
from numba.core import event
from numba.core.sigutils import normalize_signature

__all__ = ["argument_types", "compile_late", "compiled_beside", "inner", "kernel", "late_kernel"]

_Function = Callable[..., Any]

#: Nothing but Python calls a kernel, and nothing but kernels an inner one: the other ways in are not made.
_KERNEL: dict[str, Any] = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
_INNER = {**_KERNEL, "no_cpython_wrapper": True}

#: Kernels that a build meets late, with the types that it calls them with.
_LATE: list[tuple[Any, str]] = []
#: The module that imports all of them.
_USER = "layoutgen.pipeline.build"


def kernel(function: _Function) -> _Function:
    """A function to be compiled, once for each choice of types that it is called with."""
    found: _Function = numba.njit(function, cache=True, **_KERNEL)
    return found


def late_kernel(types: str) -> Callable[[_Function], _Function]:
    """A kernel that builds meet in their second half.

    types: those that they call it with, in numba's words and brackets; other calls compile it once more.
    """

    def declared(function: _Function) -> _Function:
        made = kernel(function)
        _LATE.append((made, types))
        return made

    return declared


def argument_types(types: str) -> tuple[Any, ...]:
    """The types that `late_kernel` was told in words."""
    found: tuple[Any, ...] = normalize_signature(types)[0]  # type: ignore[no-untyped-call]
    return found


def inner(function: _Function) -> _Function:
    """A function that kernels call, compiled into them; it cannot be called from Python."""
    found: _Function = numba.njit(function, **_INNER)
    return found


class _Watch(event.Listener):
    """Starts the second process when the first kernel of this package has to be compiled."""

    def __init__(self) -> None:
        self.process: subprocess.Popen[bytes] | None = None
        self._asked = False
        self._lock = Lock()

    def on_start(self, event: Any) -> None:
        function = event.data["dispatcher"].py_func
        with self._lock:
            if not self._asked and function.__module__.startswith("layoutgen."):
                self._asked = True
                self.process = _second()

    def on_end(self, event: Any) -> None:
        """Nothing to do."""


def _second() -> subprocess.Popen[bytes] | None:
    """The second process, or None where the system has no room for one: nothing depends on it."""
    # -P: no file of the current folder is taken for a module
    command = [sys.executable, "-P", "-c", f"import {__name__} as k; k.compile_late()"]
    none = subprocess.DEVNULL
    try:
        return subprocess.Popen(command, stdin=none, stdout=none, stderr=none)
    except OSError:
        return None


@contextmanager
def compiled_beside(cores: int) -> Iterator[None]:
    """While this lasts, a second process compiles late kernels if any have to be, and there is a core for it."""
    if cores < 2:
        yield
        return
    watch = _Watch()
    with event.install_listener("numba:compile", watch):
        try:
            yield
        finally:
            if watch.process is not None:
                watch.process.kill()
                watch.process.wait()


def compile_late() -> None:
    """Compile what was declared as late, the longest first, so that none is left over at the end.

    What is on disk is left alone.
    """
    importlib.import_module(_USER)
    for made, types in sorted(_LATE, key=lambda late: -len(late[0].py_func.__code__.co_code)):
        # what is on disk is found by types, not by words for them
        made.compile(argument_types(types))
