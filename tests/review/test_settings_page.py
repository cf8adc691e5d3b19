"""The settings, on their page."""

from __future__ import annotations

import re

import pytest

from pipeline.records.words import Role


@pytest.fixture
def root(page):
    return page.as_somebody("root", Role.ADMIN)


def as_shown(browser, **written):
    """The form as the page shows it, with something else written into some fields."""
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', browser.get("/settings").text))
    return browser.post("/settings", {**fields, **written})


def test_what_is_changed_holds_on_the_next_page_and_stands_in_the_trail(root):
    saved = as_shown(root, capacity="150")
    assert saved.status_code == 200
    assert "150 listings (before: 200 listings)" in saved.text
    assert "root changed it on" in saved.text
    assert "of 150 by all" in root.get("/").text
    assert "before: 200 listings" in root.get("/trail").text


def test_a_longer_time_for_a_listing_counts_from_the_next_one_on(page, root):
    as_shown(root, claim="30")
    ann = page.as_somebody("ann")
    left = int(re.search(r'data-left="(\d+)"', ann.post("/next").text)[1])
    assert 29 * 60 < left <= 30 * 60


def test_what_can_not_be_comes_back_with_what_was_written_and_what_can_be(root):
    refused = as_shown(root, capacity="none", claim="20")
    assert refused.status_code == 422
    assert "Write a whole number from 1 to 100,000." in refused.text
    assert 'value="none"' in refused.text
    assert 'value="20"' in refused.text
    assert "of 200 by all" in root.get("/").text


def test_who_saves_an_old_page_takes_nothing_back_that_a_colleague_changed(page, root):
    other = page.as_somebody("other", Role.ADMIN)
    old = dict(re.findall(r'name="(\w+)" value="([^"]*)"', root.get("/settings").text))
    as_shown(other, capacity="150")
    root.post("/settings", {**old, "claim": "20"})
    assert "of 150 by all" in root.get("/").text


@pytest.mark.parametrize("role", [Role.MODERATOR, Role.ANALYST])
def test_settings_are_for_admins(page, role):
    somebody = page.as_somebody("somebody", role)
    assert somebody.get("/settings").status_code == 403
    assert somebody.post("/settings", {"capacity": "1"}).status_code == 403
    assert ">Settings<" not in somebody.get("/").text


def test_settings_need_the_forms_token(root):
    assert root.client.post("/settings", data={"capacity": "1"}).status_code == 403
