"""Nobody comes in by a way that is not theirs."""

from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient

from pipeline.records import queue
from pipeline.records.words import Role
from pipeline.review.seat import COOKIE
from tests.records.inventing import PASSWORD
from tests.review.conftest import HOST, Browser

PAGES = ["/", "/look/L2", "/figures", "/people", "/trail", "/done", "/export/decisions.csv", "/crop/1/0"]


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


def test_over_tls_the_cookie_goes_nowhere_else(page):
    page.as_somebody("ann")
    browser = Browser(TestClient(page.app, base_url="https://testserver"))
    door = re.search(r'name="door" value="([^"]+)"', browser.get("/enter").text)[1]
    form = {"name": "ann", "password": PASSWORD, "door": door}
    answer = browser.client.post("/enter", data=form, follow_redirects=False)
    assert all("secure" in line.lower() for line in answer.headers.get_list("set-cookie") if "Max-Age=0" not in line)


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


@pytest.mark.parametrize(
    "path",
    [
        "/photo/..%2f..%2f..%2fetc%2fpasswd/900",
        "/photo/" + "a" * 64 + "/901",
        "/reference/..%2f..%2fconfigs/quillmere",
        "/reference/quillmere/..%2fquillmere%2ftab",
        "/static/..%2f..%2fapp.py",
        "{static}/..%2fapp.py",
        "{static}/%2e%2e/templates/base.html",
        "/export/..%2fpeople.csv",
        "/crop/1/-1",
        "/worth/999999999",
        "/crop/99999999999999999999999/0",
        "/look/L2?after=99999999999999999999999",
        "/look/..%2f..%2fetc%2fpasswd",
    ],
)
def test_no_address_leads_out_of_what_is_meant_to_be_shown(page, path):
    admin = page.as_somebody("root", Role.ADMIN)
    answer = admin.get(path.replace("{static}", static_path(admin)))
    assert answer.status_code in {404, 422}
    assert "root:" not in answer.text.replace("root</span>", "")


def test_after_signing_in_one_is_back_where_one_was(page):
    page.as_somebody("ann")
    browser = page.browser()
    landed = browser.get("/look/L/1?order=loss")
    assert landed.url.path == "/enter"
    hidden = dict(re.findall(r'name="(door|back)" value="([^"]*)"', landed.text))
    form = {"name": "ann", "password": PASSWORD, **hidden}
    answer = browser.client.post("/enter", data=form, follow_redirects=False)
    assert answer.headers["location"] == "/look/L/1?order=loss"


@pytest.mark.parametrize(
    "back", ["//elsewhere.test", "https://elsewhere.test", "/\\elsewhere.test", "/\t/elsewhere.test"]
)
def test_nobody_is_led_to_another_site_from_the_door(page, back):
    page.as_somebody("ann")
    browser = page.browser()
    door = re.search(r'name="door" value="([^"]+)"', browser.get("/enter", params={"back": back}).text)[1]
    form = {"name": "ann", "password": PASSWORD, "door": door, "back": back}
    assert browser.client.post("/enter", data=form, follow_redirects=False).headers["location"] == "/"


BY_SCRIPT = {"X-By-Script": "1"}


def test_a_script_is_told_where_a_form_leads_and_what_was_wrong_with_it(page, ann):
    taken = ann.post("/take/L2", headers=BY_SCRIPT)
    assert (taken.status_code, taken.headers["x-go-on"]) == (204, "/look/L2")
    refused = ann.post("/decide/L2", {"choice": "hold_back"}, headers=BY_SCRIPT)
    assert (refused.status_code, refused.headers["content-type"].split(";")[0]) == (409, "text/plain")
    assert "needs a reason" in refused.text
    assert page.browser().post("/undo", headers=BY_SCRIPT).status_code == 401


def test_a_fault_of_ours_is_said_in_words_with_the_same_headers(page, monkeypatch):
    def breaks(*_args):
        raise RuntimeError("a secret of the inside")

    page.as_somebody("ann")
    browser = Browser(TestClient(page.app, base_url=HOST, raise_server_exceptions=False))
    browser.sign_in("ann")
    monkeypatch.setattr(queue, "count_states", breaks)
    answer = browser.get("/")
    assert answer.status_code == 500
    assert "went wrong" in answer.text
    assert "secret" not in answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")


def test_signing_out_ends_the_session_in_the_database_too(page):
    ann = page.as_somebody("ann")
    token = ann.client.cookies[COOKIE]
    ann.post("/leave")
    ann.client.cookies.set(COOKIE, token)
    assert ann.get("/", follow_redirects=False).status_code == 303


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
