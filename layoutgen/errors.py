"""What a user can put right: errors that carry sentences, never a traceback.

Exit status 2 means that the input is wrong, 1 that a rule or a verification failed.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["InputError", "LayoutgenError", "RuleError", "VerifyError"]


class LayoutgenError(Exception):
    """Base of every error that is shown as sentences; `problems` holds one sentence each."""

    exit_status = 2

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems: tuple[str, ...] = (
            (problems,) if isinstance(problems, str) else tuple(problems)
        )
        super().__init__("\n".join(self.problems))


class InputError(LayoutgenError):
    """The recipe, a table or a job folder is wrong; each problem says where, what was wanted, what came."""


class RuleError(LayoutgenError):
    """The input is well formed but what it asks for breaks a rule of the trade."""

    exit_status = 1


class VerifyError(LayoutgenError):
    """A file on disk is not what the recipe asks for."""

    exit_status = 1
