"""What a person sees in the terminal: progress on standard error, the top of the queue on standard output."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from pipeline.cues import VIEWS
from pipeline.domain import CAUTION, Assessment, Listing, Reason

OnProgress = Callable[[int, int], None]
_PLAIN_STEPS = 10  # lines in all where there is no terminal to draw a bar in
_PLAIN_WIDTH = 132
_REASONS = 3


@contextmanager
def progress(label: str, console: Console) -> Iterator[OnProgress]:
    """Show how far a job is: a bar in a terminal, about ten plain lines elsewhere.

    Args:
        label: what is being done.
        console: where to show it.

    Yields:
        A function to call with how many are done, of how many.
    """
    if not console.is_terminal:
        yield _plain_progress(label, console)
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def print_queue(
    assessments: Sequence[Assessment], listings: Mapping[str, Listing], console: Console, top: int = 10
) -> None:
    """Print the top of the queue with the strongest reasons.

    Args:
        assessments: most suspicious first.
        listings: by listing_id.
        console: where to print; where it is no terminal, wide enough to read.
        top: how many rows.
    """
    table = Table(title=Text("The top of the queue"), caption=Text(CAUTION), show_lines=True, title_justify="left")
    table.add_column("#", justify="right")
    table.add_column("probability", justify="right")
    table.add_column("listing", min_width=14)
    table.add_column("why (log10 of how much it speaks for a counterfeit)", ratio=3)
    table.add_column("photo to ask for", ratio=1)
    for rank, one in enumerate(assessments[:top], 1):
        stated = listings[one.listing_id].style_number if one.listing_id in listings else None
        table.add_row(
            str(rank),
            f"{one.probability:.3f}",
            plain_text(f"{one.listing_id}\n{stated or 'no style stated'}"),
            plain_text("\n".join(_reason_line(reason) for reason in _strongest(one.reasons)) or "nothing seen"),
            plain_text(VIEWS.get(one.ask_for[0].view, one.ask_for[0].view) if one.ask_for else ""),
        )
    console.print(table, width=None if console.is_terminal else _PLAIN_WIDTH)


def plain_text(text: str) -> Text:
    """Untrusted text without markup or control characters, so that it can't steer the terminal."""
    return Text("".join(letter if letter.isprintable() or letter == "\n" else " " for letter in text))


def say(line: str) -> None:
    """A line on standard output."""
    Console().print(plain_text(line), soft_wrap=True)


def complain(line: str) -> None:
    """A line on standard error."""
    Console(stderr=True).print(plain_text(line), soft_wrap=True)


def _plain_progress(label: str, console: Console) -> OnProgress:
    shown, began_s = -1, time.monotonic()

    def show(done: int, total: int) -> None:
        nonlocal shown
        step = done * _PLAIN_STEPS // max(total, 1)
        if step > shown:
            shown = step
            left = (time.monotonic() - began_s) / done * (total - done) if done else 0
            console.print(plain_text(f"{label}: {done} of {total}{_in_words(left) if left else ''}"))

    return show


def _in_words(seconds: float) -> str:
    minutes = seconds / 60
    return f", about {minutes:.0f} min left" if minutes >= 2 else f", about {seconds:.0f} s left"


def _strongest(reasons: Sequence[Reason]) -> list[Reason]:
    return sorted(reasons, key=lambda reason: -abs(reason.log10_lr))[:_REASONS]


def _reason_line(reason: Reason) -> str:
    return f"{reason.log10_lr:+.2f}  {reason.sentence}"
