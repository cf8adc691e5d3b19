"""Reading print with doubt: how likely a text was read so if another text is printed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.domain import TextReading

_SUREST = 0.999  # no reader is right more often than this, whatever it says of itself


def canonical(text: str) -> str:
    """Letters and digits only, in capitals, so that `qm 21` and `STYLE QM-21` read alike."""
    letters = "".join(char for char in text.upper() if char.isalnum())
    return letters.removeprefix("STYLE")


def same_print(one: str, other: str) -> bool:
    """Whether two texts are the same but for case, spaces and punctuation; nothing equals nothing."""
    return canonical(one) == canonical(other) != ""


def best_text(texts: Iterable[TextReading]) -> TextReading | None:
    """The reading to trust among several of one print: readings that agree strengthen each other.

    Returns:
        The most confident reading of the winning text with the joint confidence 1 - product(1 - c), or None.
    """
    groups: dict[str, list[TextReading]] = {}
    for text in texts:
        if canonical(text.text):
            groups.setdefault(canonical(text.text), []).append(text)
    if not groups:
        return None
    joint = {print_: _joint_confidence([text.confidence for text in group]) for print_, group in groups.items()}
    winner = max(sorted(groups), key=lambda print_: joint[print_])
    first = max(groups[winner], key=lambda text: (text.confidence, text.photo, text.box.xyxy))
    return TextReading(first.field, first.text, joint[winner], first.photo, first.part, first.box)


def _joint_confidence(confidences: Sequence[float]) -> float:
    """Probability that at least one of several readings is right."""
    doubt = 1.0
    for confidence in confidences:
        doubt *= 1 - confidence
    return 1 - doubt


def per_character(confidence: float, length: int) -> float:
    """Confidence in each character, from the confidence that the whole text is right."""
    return float(min(max(confidence, 0.001), _SUREST) ** (1 / max(length, 1)))


def misread_likelihood(read: str, printed: str, confidence: float, lookalikes: float) -> float:
    """Probability of reading `read` where `printed` stands.

    Each character is read right with the confidence per character, else as one of `lookalikes` others;
    a missing or an added character counts as one wrong one.

    Args:
        read: what the reader saw, canonical.
        printed: what may stand there, canonical.
        confidence: that the whole text was read right, 0..1.
        lookalikes: how many characters a misread one may turn into.
    """
    length = max(len(read), len(printed), 1)
    right = per_character(confidence, length)
    wrong = edit_distance(read, printed)
    return float(right ** (length - wrong) * ((1 - right) / lookalikes) ** wrong)


def edit_distance(one: str, other: str) -> int:
    """Fewest characters to change, add or leave out to turn one text into the other."""
    previous = list(range(len(other) + 1))
    for row, char in enumerate(one, 1):
        current = [row]
        for column, other_char in enumerate(other, 1):
            change = previous[column - 1] + (char != other_char)
            current.append(min(change, previous[column] + 1, current[-1] + 1))
        previous = current
    return previous[-1]
