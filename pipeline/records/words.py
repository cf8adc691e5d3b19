"""What can be done with a listing, where it then stands, and who may do it, in words that a person would say aloud."""

from __future__ import annotations

from enum import StrEnum


class Choice(StrEnum):
    """What a moderator says about a listing."""

    LET_GO = "let_go"
    HOLD_BACK = "hold_back"
    ASK = "ask"
    EXPERT = "expert"
    PUT_BACK = "put_back"

    @property
    def says(self) -> str:
        """The words on the button."""
        return {
            Choice.LET_GO: "Let it go",
            Choice.HOLD_BACK: "Hold it back",
            Choice.ASK: "Ask for photos",
            Choice.EXPERT: "Show an expert",
            Choice.PUT_BACK: "Leave to a colleague",
        }[self]

    @property
    def done(self) -> str:
        """The words afterwards."""
        return {
            Choice.LET_GO: "let go",
            Choice.HOLD_BACK: "held back",
            Choice.ASK: "seller asked for photos",
            Choice.EXPERT: "shown to an expert",
            Choice.PUT_BACK: "left to a colleague",
        }[self]

    @property
    def hurts(self) -> bool:
        """Whether somebody is worse off by it, so that it needs a reason."""
        return self in {Choice.HOLD_BACK, Choice.EXPERT}

    @property
    def is_opinion(self) -> bool:
        """Whether it says what the moderator takes the pair for, so that two people's can be compared."""
        return self in {Choice.LET_GO, Choice.HOLD_BACK, Choice.EXPERT}


class State(StrEnum):
    """Where a listing stands."""

    WAITING = "waiting"
    SECOND = "second"
    DIFFER = "differ"
    ASKED = "asked"
    GONE = "gone"
    HELD = "held"
    EXPERT = "expert"

    @property
    def says(self) -> str:
        """As shown."""
        return {
            State.WAITING: "to look at",
            State.SECOND: "wants a second look",
            State.DIFFER: "two opinions",
            State.ASKED: "waiting for photos",
            State.GONE: "let go",
            State.HELD: "held back",
            State.EXPERT: "with an expert",
        }[self]

    @property
    def is_open(self) -> bool:
        """Whether a moderator is to look at it."""
        return self in {State.WAITING, State.SECOND, State.DIFFER}


AFTER = {
    Choice.LET_GO: State.GONE,
    Choice.HOLD_BACK: State.HELD,
    Choice.ASK: State.ASKED,
    Choice.EXPERT: State.EXPERT,
}


class Role(StrEnum):
    """What a person may do. An admin may do everything."""

    MODERATOR = "moderator"
    ANALYST = "analyst"
    ADMIN = "admin"

    @property
    def may_decide(self) -> bool:
        """Moderators and admins."""
        return self in {Role.MODERATOR, Role.ADMIN}

    @property
    def may_analyse(self) -> bool:
        """Analysts and admins."""
        return self in {Role.ANALYST, Role.ADMIN}

    @property
    def may_manage(self) -> bool:
        """Admins."""
        return self is Role.ADMIN


class Order(StrEnum):
    """What stands on top of the queue."""

    SUSPICION = "suspicion"
    LOSS = "loss"

    @property
    def says(self) -> str:
        """As shown."""
        return {Order.SUSPICION: "most suspicious first", Order.LOSS: "most money at stake first"}[self]
