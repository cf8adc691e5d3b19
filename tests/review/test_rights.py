"""Every route, asked by every role and by a stranger: nobody does more than theirs, and no new route is forgotten."""

from __future__ import annotations

import re

import pytest

from pipeline.records.words import Role
from tests.review.conftest import photo_hash

EVERYBODY = {Role.MODERATOR, Role.ANALYST, Role.ADMIN}
DECIDE, ANALYSE, MANAGE = {Role.MODERATOR, Role.ADMIN}, {Role.ANALYST, Role.ADMIN}, {Role.ADMIN}
AT_THE_DOOR = {("GET", "/enter"), ("POST", "/enter"), ("GET", "/join/{token}"), ("POST", "/join/{token}")}
RIGHTS = {
    ("GET", "/"): EVERYBODY,
    ("GET", "/look/{listing_id:path}"): EVERYBODY,
    ("GET", "/done"): EVERYBODY,
    ("GET", "/photo/{sha256}/{width}"): EVERYBODY,
    ("GET", "/crop/{assessment_id}/{position}"): EVERYBODY,
    ("GET", "/reference/{maker}/{name}"): EVERYBODY,
    ("POST", "/note/{listing_id:path}"): EVERYBODY,
    ("POST", "/still/{listing_id:path}"): EVERYBODY,  # keeps only what is theirs already
    ("POST", "/leave"): EVERYBODY,
    ("POST", "/next"): DECIDE,
    ("POST", "/take/{listing_id:path}"): DECIDE,
    ("POST", "/decide/{listing_id:path}"): DECIDE,
    ("POST", "/undo"): DECIDE,
    ("POST", "/correct/{listing_id:path}"): DECIDE,
    ("POST", "/again/{listing_id:path}"): DECIDE,
    ("GET", "/figures"): ANALYSE,
    ("GET", "/worth/{position}"): ANALYSE,
    ("GET", "/export/{name}.{kind}"): ANALYSE,
    ("GET", "/people"): MANAGE,
    ("POST", "/people/invite"): MANAGE,
    ("POST", "/people/{person_id}/password"): MANAGE,
    ("POST", "/people/{person_id}"): MANAGE,
    ("GET", "/settings"): MANAGE,
    ("POST", "/settings"): MANAGE,
    ("GET", "/trail"): MANAGE,
}
FORM = {"choice": "let_go", "role": "moderator", "words": "something to say", "cue": "tab_word"}


def routes_of(page):
    """All that the application answers, as (method, path)."""
    found = set()
    for part in page.app.routes:
        for route in getattr(getattr(part, "original_router", None), "routes", [part]):
            found |= {(method, route.path) for method in getattr(route, "methods", None) or () if method != "HEAD"}
    return found


def address(path):
    """The path with something in its places that is there."""
    given = {
        "{listing_id:path}": "L2", "{sha256}": photo_hash(1), "{width}": "120", "{assessment_id}": "1",
        "{position}": "0", "{maker}": "quillmere", "{name}.{kind}": "decisions.csv", "{name}": "tab",
        "{person_id}": "1",
    }  # fmt: skip
    for place, what in given.items():
        path = path.replace(place, what)
    assert "{" not in path
    return path


def test_no_route_is_without_a_line_in_this_table(page):
    assert routes_of(page) == RIGHTS.keys() | AT_THE_DOOR


@pytest.mark.parametrize("role", list(Role))
def test_a_role_gets_into_its_own_routes_and_no_others(page, role):
    page.as_somebody("first", Role.ADMIN)  # so that an admin is left whatever is done to the others
    for (method, path), allowed in RIGHTS.items():
        browser = page.as_somebody(
            re.sub(r"\W", "", f"{method}{path}")[:40] + role, role
        )  # afresh: some routes sign out
        ask = browser.get if method == "GET" else browser.post
        answer = ask(address(path), **({} if method == "GET" else {"data": FORM}), follow_redirects=False)
        refused = answer.status_code == 403
        assert refused == (role not in allowed), (method, path, answer.status_code)
        assert answer.status_code < 500


@pytest.mark.parametrize(("method", "path"), sorted(RIGHTS))
def test_a_stranger_is_led_to_the_door_whatever_they_ask(page, method, path):
    ask = page.browser().get if method == "GET" else page.browser().post
    answer = ask(address(path), **({} if method == "GET" else {"data": FORM}), follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/enter")


@pytest.mark.parametrize("path", sorted(path for method, path in RIGHTS if method == "POST"))
def test_every_form_needs_the_sessions_own_token(page, path):
    admin = page.as_somebody("root", Role.ADMIN)
    admin.form_token = ""
    assert admin.post(address(path), FORM).status_code == 403
    assert admin.get("/").status_code == 200  # signing out is no exception
