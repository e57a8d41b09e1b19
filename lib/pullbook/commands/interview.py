"""Ask a person: each question with its proposal, and again, with what is allowed, after a wrong answer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pullbook.errors import ExperimentError
from pullbook.text import fold

MOST_TRIES = 3
Check = Callable[[str], Any]


class Interview:
    """Take each answer from its option, else from a person, else from the proposal.

    Parameters
    ----------
    ask : callable or None
        Shows a question and returns what was typed, as `input` does; None where nobody is there.
    say : callable
        Shows a line, as `print` does.
    """

    def __init__(self, ask: Callable[[str], str] | None = None, say: Callable[[str], object] = print) -> None:
        self.ask, self.say = ask, say

    def begin(self, drives: Sequence[str]) -> None:
        """Say which drives it is about, and how to answer."""
        if self.ask is not None:
            for line in (*drives, "Press Enter to take what is in brackets. Ctrl-C stops and writes nothing."):
                self.say(line)

    def answer(
        self, question: str, *, option: str, given: str | None, check: Check, proposal: str | None, note: str = ""
    ) -> str | None:
        """Return an answer as typed, once it passes its check, or the proposal.

        Raises
        ------
        ExperimentError
            When the option's value is not allowed.
        """
        if given is not None:
            try:
                check(given)
            except ValueError as fault:
                raise ExperimentError(f"{option}: {fault}") from None
            return given.strip()
        if note and self.ask is not None:
            self.say(fold(note))
        for _ in range(MOST_TRIES):
            typed_in = self._typed(f"{question} [{'leave out' if proposal is None else proposal}]: ")
            if not typed_in:
                return proposal
            try:
                check(typed_in)
            except ValueError as fault:
                self.say(fold(str(fault)))
            else:
                return typed_in
        self.say(f"{'Left out' if proposal is None else f'{proposal} is taken'}. You can correct it in the file.")
        return proposal

    def _typed(self, question: str) -> str:
        """Return what was typed; nothing where nobody answers or the input has ended."""
        if self.ask is None:
            return ""
        try:
            return self.ask(question).strip()
        except EOFError:
            self.ask = None
            return ""


def one_of(*options: str) -> Check:
    """Return a check that takes one of a few words."""

    def check(text: str) -> None:
        if text.strip().lower() not in options:
            raise ValueError(f"given {text!r}; allowed: {', '.join(options)}")

    return check
