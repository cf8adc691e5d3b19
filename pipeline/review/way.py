"""The way that somebody works through the queue: in which order, within which filters. It goes from page to page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Annotated
from urllib.parse import parse_qs, urlencode

from fastapi import Depends, Form, Query
from sqlalchemy import ColumnElement

from pipeline.records import queue
from pipeline.records.words import Order, State

_MOST = 1500  # characters
_FILTERS = tuple(field.name for field in fields(queue.Filters) if field.name != "order")


@dataclass(frozen=True, slots=True)
class Way:
    """`within` is the filters as an address has them, "" for the whole queue."""

    order: Order = Order.SUSPICION
    within: str = ""

    @property
    def conditions(self) -> Sequence[ColumnElement[bool]]:
        """What a listing on this way has to fulfil, beside being free."""
        return queue.conditions_of(self.filters) if self.within else ()

    @property
    def filters(self) -> queue.Filters:
        """The filters; what was not understood lets everything through."""
        asked = {name: values[0] for name, values in parse_qs(self.within).items() if name in _FILTERS}
        if asked.get("state") not in {state for state in State if state.is_open}:
            asked["state"] = "open"
        return queue.Filters(**asked, order=self.order)

    @property
    def asked(self) -> Mapping[str, str]:
        """What an address has to carry of it."""
        return {
            name: value
            for name, value in (("order", self.order.value), ("within", self.within))
            if value and value != Order.SUSPICION
        }


def within_of(filters: queue.Filters) -> str:
    """The filters of a page of the queue, to be worked through: of those that are to be looked at."""
    given = {name: getattr(filters, name) for name in _FILTERS}
    is_open = given["state"] in {state for state in State if state.is_open}
    return urlencode({name: value for name, value in given.items() if value and (name != "state" or is_open)})


def _asked_way(order: Order = Order.SUSPICION, within: Annotated[str, Query(max_length=_MOST)] = "") -> Way:
    return Way(order, within)


def _posted_way(
    order: Annotated[Order, Form()] = Order.SUSPICION, within: Annotated[str, Form(max_length=_MOST)] = ""
) -> Way:
    return Way(order, within)


AskedWay = Annotated[Way, Depends(_asked_way)]
PostedWay = Annotated[Way, Depends(_posted_way)]
