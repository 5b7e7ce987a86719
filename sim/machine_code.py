"""What compiled kernels hold in memory besides what runs.

A kernel read from numba's cache comes with its intermediate code, in case another function that
is compiled in this process wants to take it in. Parsed, that of all our kernels is 50 MB; as it
lies on the disk, 5 MB. A process that only runs kernels need not hold the former.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from sim.kernels import HAVE_NUMBA

_LINEAR_ALGEBRA = "ensure_blas"
_UNREAD = "_rippletree_unread"


def leave_unread() -> None:
    """From now on, read the intermediate code of loaded kernels only where it is asked for.

    numba has no public way to say so. Where its insides are others than we know nothing is
    changed, and all works as before.
    """
    if not HAVE_NUMBA:
        return
    try:
        codegen: Any = import_module("numba.core.codegen")
        kind: Any = codegen.CPUCodeLibrary
        whole = kind._unserialize.__func__
        parse_bitcode: Any = codegen.ll.parse_bitcode
    except (ImportError, AttributeError):
        return
    if not hasattr(kind, "_get_module_for_linking") or hasattr(kind, _UNREAD):
        return

    def unserialize(cls: Any, owner: Any, state: Any) -> Any:
        library = whole(cls, owner, state)
        if state[1] == "object" and getattr(library, "_shared_module", None) is not None:
            unread = state[2][1]
            library._shared_module = None
            library._get_module_for_linking = lambda: parse_bitcode(unread)
            # (it runs from a place of its own, and is never written to the cache again)
            library._compiled_object = None
        return library

    kind._unserialize = classmethod(unserialize)
    setattr(kind, _UNREAD, True)


def leave_linear_algebra() -> None:
    """Have numba take it that there is none of scipy's, which it would read in to see: 16 MB.

    Our kernels multiply for themselves; what solves equations asks for it when called.
    """
    if not HAVE_NUMBA:
        return
    try:
        algebra: Any = import_module("numba.np.linalg")
        ask = getattr(algebra, _LINEAR_ALGEBRA)
    except (ImportError, AttributeError):
        return

    def ask_not() -> None:
        raise ImportError("not asked for")

    setattr(algebra, _LINEAR_ALGEBRA, ask_not)
    try:
        # it asks as it is read in, and remembers the answer
        import_module("numba.np.arraymath")
    finally:
        setattr(algebra, _LINEAR_ALGEBRA, ask)
