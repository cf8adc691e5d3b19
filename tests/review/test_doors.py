"""Nobody comes in by a way that is not theirs."""

from __future__ import annotations

import re

import pytest

from pipeline.records.words import Role
from pipeline.review.seat import COOKIE

PAGES = ["/", "/look/L2", "/figures", "/people", "/trail", "/done", "/export/decisions.csv", "/crop/1/0"]
POSTS = [
    "/next",
    "/undo",
    "/decide/L2",
    "/take/L2",
    "/correct/L2",
    "/note/L2",
    "/again/L2",
    "/people/invite",
    "/people/1/password",
    "/leave",
]


@pytest.mark.parametrize("path", [*PAGES, "/photo/" + "a" * 64 + "/900", "/reference/quillmere/tab"])
def test_nothing_is_shown_to_who_is_not_signed_in(page, path):
    answer = page.browser().get(path, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/enter")


@pytest.mark.parametrize("path", POSTS)
def test_nothing_is_done_for_who_is_not_signed_in(page, path):
    answer = page.browser().post(path, {"choice": "let_go", "role": "admin"}, follow_redirects=False)
    assert answer.headers["location"].startswith("/enter")


@pytest.mark.parametrize("path", POSTS)
def test_a_form_without_the_sessions_own_token_is_refused(page, path):
    admin = page.as_somebody("root", Role.ADMIN)
    admin.form_token = "another"
    assert admin.post(path, {"choice": "let_go", "role": "admin"}).status_code == 403


@pytest.mark.parametrize(
    "headers", [{"origin": "http://elsewhere.test"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}]
)
def test_a_form_from_another_site_is_refused_even_with_the_token(page, headers):
    ann = page.as_somebody("ann")
    assert ann.post("/next", headers=headers).status_code == 403


def test_the_sign_in_form_of_another_site_is_refused(page):
    page.as_somebody("ann")
    answer = page.browser().post("/enter", {"name": "ann", "password": "a long password indeed", "door": "guess"})
    assert answer.status_code == 403


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(page):
    browser = page.browser()
    page.as_somebody("ann")
    door = re.search(r'name="door" value="([^"]+)"', browser.get("/enter").text)[1]
    form = {"name": "ann", "password": "a long password indeed", "door": door}
    answer = browser.client.post("/enter", data=form, follow_redirects=False)
    cookie = next(line for line in answer.headers.get_list("set-cookie") if line.startswith(COOKIE))
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()


def test_a_strict_policy_stands_on_every_answer_and_no_page_breaks_it(page):
    admin = page.as_somebody("root", Role.ADMIN)
    for path in [*PAGES, "/nothing/here", static_path(admin) + "/desk.js"]:
        answer = admin.get(path)
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        if "html" in answer.headers["content-type"]:
            assert not re.search(r"<script(?! src=)|<style|\sstyle=|\son[a-z]+=", answer.text)
            assert not re.search(r"(?:src|href)=\"(?:https?:)?//", answer.text)


def static_path(browser):
    return re.search(r'src="(/static/\w+)/', browser.get("/").text)[1]


def test_scripts_are_kept_by_the_browser_and_pages_are_not(page, ann):
    assert "immutable" in ann.get(static_path(ann) + "/desk.js").headers["cache-control"]
    assert ann.get("/look/L2").headers["cache-control"] == "no-store"


def test_another_name_for_this_machine_is_not_answered(page):
    assert page.browser().get("/enter", headers={"host": "elsewhere.test"}).status_code == 400


def test_signing_out_ends_the_session_in_the_database_too(page):
    ann = page.as_somebody("ann")
    token = ann.client.cookies[COOKIE]
    ann.post("/leave")
    ann.client.cookies.set(COOKIE, token)
    assert ann.get("/", follow_redirects=False).status_code == 303


@pytest.mark.parametrize(
    ("role", "path", "status"),
    [
        (Role.MODERATOR, "/figures", 403),
        (Role.MODERATOR, "/export/decisions.csv", 403),
        (Role.MODERATOR, "/people", 403),
        (Role.MODERATOR, "/trail", 403),
        (Role.ANALYST, "/figures", 200),
        (Role.ANALYST, "/people", 403),
        (Role.ADMIN, "/people", 200),
        (Role.ADMIN, "/trail", 200),
    ],
)
def test_each_role_sees_its_own_pages(page, role, path, status):
    assert page.as_somebody("somebody", role).get(path).status_code == status


@pytest.mark.parametrize("path", ["/next", "/decide/L2", "/take/L2", "/undo", "/correct/L2", "/again/L2"])
def test_an_analyst_decides_nothing(page, path):
    assert page.as_somebody("nina", Role.ANALYST).post(path, {"choice": "let_go"}).status_code == 403


def test_a_moderator_invites_nobody(page):
    assert page.as_somebody("ann").post("/people/invite", {"role": "admin"}).status_code == 403


def test_an_invitation_makes_an_account_of_its_role_once(page):
    admin = page.as_somebody("root", Role.ADMIN)
    link = re.search(r"/join/[\w-]+", admin.post("/people/invite", {"role": "analyst"}).text)[0]
    for status in (200, 403):
        newcomer = page.browser()
        shown = newcomer.get(link)
        door = re.search(r'name="door" value="([^"]+)"', shown.text)
        form = {"name": "nina", "password": "a long password indeed", "door": door[1] if door else ""}
        assert newcomer.client.post(link, data=form).status_code == status
    assert newcomer.get(link).status_code == 404


def test_after_too_many_wrong_passwords_the_page_says_to_wait(page):
    page.as_somebody("ann")
    browser = page.browser()
    for _ in range(5):
        assert "do not belong together" in browser.sign_in("ann", "a wrong password").text
    assert "Wait" in browser.sign_in("ann").text


def test_an_admin_hands_out_a_link_for_a_new_password(page):
    admin, ann = page.as_somebody("root", Role.ADMIN), page.as_somebody("ann")
    shown = admin.get("/people").text
    number = re.search(r'/people/(\d+)"[^>]*>(?:(?!/people/).)*Role of ann', shown, re.DOTALL)[1]
    link = re.search(r"/join/[\w-]+", admin.post(f"/people/{number}/password").text)[0]
    door = re.search(r'name="door" value="([^"]+)"', page_of(ann, link))[1]
    ann.client.post(link, data={"password": "another long password", "door": door})
    assert "do not belong together" in page.browser().sign_in("ann").text
    assert page.browser().sign_in("ann", "another long password").status_code == 200


def page_of(browser, link):
    text = browser.get(link).text
    assert "A new password for ann" in text
    return text
