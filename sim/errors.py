"""What can go wrong, as one tree.

    SimError(where, what, hint)
    +- DocumentError            a file or a value in it
    |  +- UnknownKind
    |  +- BadField              a value outside what is allowed
    |  +- BadUnit               text that is no quantity, or of another unit
    |  +- NewerFile             made by a later version
    +- NetworkError             the wiring
    |  +- Unjoined              a part or a lead end hangs free
    |  +- WrongPort             no such part, joint or port
    |  +- Conflict              two things that cannot both hold
    +- SolveError               the solver
       +- Singular
       +- NoStart               no equilibrium to start from
       +- Swings                an average that follows every turn of a swing
       +- Cancelled

Every error says where (a path such as ``parts[2].values.esr`` or the name of a
part), what is wrong, and what is allowed or what to do. The text is one line.
"""

from __future__ import annotations


class SimError(Exception):
    """Base of every error that `sim` raises on purpose.

    Parameters
    ----------
    where : str
        Path or name of the place, "" if there is none.
    what : str
        What is wrong, as a clause without full stop.
    hint : str
        What is allowed, or what to do, as a sentence without full stop.
    """

    def __init__(self, where: str, what: str, hint: str = "") -> None:
        self.where = one_line(where)
        self.what = one_line(what)
        self.hint = one_line(hint)
        super().__init__(str(self))

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        text = text.rstrip(".") + "."
        if self.hint:
            text += f" {self.hint.rstrip('.')}."
        return text

    def __reduce__(self) -> tuple[type[SimError], tuple[str, str, str]]:
        return type(self), (self.where, self.what, self.hint)


class DocumentError(SimError):
    """A file, or a value in it, cannot be used."""


class UnknownKind(DocumentError):
    """A part, event or change of a kind that does not exist."""


class BadField(DocumentError):
    """A value outside what is allowed, a missing one, or an unknown key."""


class BadUnit(DocumentError):
    """Text that is no quantity, or one of another unit."""


class NewerFile(DocumentError):
    """A file made by a later version of the program."""


class NetworkError(SimError):
    """The wiring cannot be turned into a network."""


class Unjoined(NetworkError):
    """A part or the end of a lead hangs free."""


class WrongPort(NetworkError):
    """No such part, joint or port."""


class Conflict(NetworkError):
    """Two things that cannot both hold, such as a shorted source."""


class SolveError(SimError):
    """A well-formed network could not be solved."""


class Singular(SolveError):
    """The equations have no single solution."""


class NoStart(SolveError):
    """No equilibrium was found to start from."""


class Swings(SolveError):
    """An averaged run follows a swing that grows or will not die, turn by turn."""


class Unsettled(SolveError):
    """A store that fades moves too far to be followed from edge to edge."""


class Cancelled(SolveError):
    """The run was stopped because a newer request came."""


def one_line(text: str, limit: int = 400) -> str:
    """`text` with line breaks and control characters as spaces, cut at `limit` characters."""
    flat = "".join(c if c.isprintable() else " " for c in text)
    return flat if len(flat) <= limit else flat[: limit - 3] + "..."
