"""A moderator's whole day in Debian's Chromium, by keyboard; the screenshots lie in `out/review-shots` afterwards."""

from __future__ import annotations

import re
import shutil
import time
from pathlib import Path
from statistics import median

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from pipeline import store
from pipeline.fitting_night import FittingNight, night_of
from pipeline.records import people
from pipeline.records.database import Store
from pipeline.records.house import House
from pipeline.records.take_in import take_in
from pipeline.review import create_app
from pipeline.review.seat import now
from tests.records.inventing import PASSWORD
from tests.review.serving import served
from tests.review.traced_runs import FOLDERS, TRACED, write_traced_run

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="Chromium is not installed (apt-get install chromium)"),
]
ROOT = Path(__file__).resolve().parents[2]
SHOTS = ROOT / "out/review-shots"
DECISIONS = 30
DESKTOP, TABLET = {"width": 1280, "height": 800}, {"width": 820, "height": 1180}
MOST_SHIFT = 0.1  # "good" by web.dev's Cumulative Layout Shift
COUNT_SHIFTS = """
window.shifted = 0;
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifted += entry.value;
}).observe({ type: "layout-shift", buffered: true });
"""


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    """A database with the traced listings, to be copied."""
    folder = tmp_path_factory.mktemp("traced")
    records = Store(f"sqlite:///{folder / 'records.db'}")
    for name in FOLDERS:
        take_in(records, folder / name, write_traced_run(name, folder / name), TRACED / name, now())
    records.close()
    return folder / "records.db"


@pytest.fixture
def address(tmp_path, taken_in):
    """The page over the traced listings, and the first link's token."""
    records = Store(f"sqlite:///{shutil.copy(taken_in, tmp_path / 'records.db')}")
    house = House(second_share=0.0)
    with records.writing() as db:
        token = people.first_start_token(db, house, now())
    night = night_of(store.read_queue(taken_in.parent / FOLDERS[0]))  # the pairs as they come stand for the fitting's
    fitting = FittingNight(command="fit", model="m", rules="r", prior_counterfeit=0.2, night=night)
    app = create_app(records, house, ROOT / "references", ["127.0.0.1"], fitting)
    with served(app) as url:
        yield url, token
    records.close()


@pytest.fixture(scope="module")
def chromium():
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        yield browser
        browser.close()


class Desk:
    """One person's browser window."""

    def __init__(self, chromium, viewport=DESKTOP, shade="light"):
        self.context = chromium.new_context(viewport=viewport, color_scheme=shade)
        self.context.add_init_script(COUNT_SHIFTS)
        self.page = self.context.new_page()
        self.complaints, self.shifts = [], []
        self.page.on("console", lambda said: self.complaints.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda err: self.complaints.append(str(err)))

    def go(self, url):
        self.page.goto(url)
        self.settle()

    def settle(self):
        self.page.wait_for_load_state("networkidle")
        self.shifts.append(self.page.evaluate("window.shifted"))

    def join(self, link, name):
        self.go(link)
        self.type_name_and_password(name)
        self.press_and_go("Enter")

    def sign_in_again(self, name):
        """At the door that the page has led to by itself."""
        self.page.wait_for_url("**/enter?back=*")
        self.type_name_and_password(name)
        self.page.keyboard.press("Enter")

    def type_name_and_password(self, name):
        self.page.wait_for_selector("[name=name]:focus")
        self.page.keyboard.type(name)
        self.page.keyboard.press("Tab")
        self.page.keyboard.type(PASSWORD)

    def press_and_go(self, *keys):
        """Press keys that lead to another page; how long until it stands there, in ms."""
        before = self.page.url
        for key in keys[:-1]:
            self.page.keyboard.press(key)
        start = time.perf_counter()
        self.page.keyboard.press(keys[-1])
        self.page.wait_for_url(lambda url: url != before, wait_until="load")
        return 1000 * (time.perf_counter() - start)

    def press(self, key):
        self.page.keyboard.press(key)

    def listing(self):
        return self.page.get_attribute("#desk", "data-listing")

    def shot(self, name):
        SHOTS.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=SHOTS / f"{name}.png")

    def serious(self):
        """What axe-core finds serious or critical."""
        found = Axe().run(self.page).response["violations"]
        return [(one["id"], one["nodes"][0]["html"][:120]) for one in found if one["impact"] in {"serious", "critical"}]


def invite(root, url, role):
    """The root's invitation for somebody."""
    root.go(f"{url}/people")
    root.page.select_option("select[name=role] >> nth=0", role)
    root.page.click("text=Make a link")
    return re.search(r"http\S+/join/[\w-]+", root.page.inner_text(".link-once"))[0]


def test_a_whole_day_by_keyboard(chromium, address):
    url, token = address
    root, ann, bea = Desk(chromium), Desk(chromium), Desk(chromium)
    root.join(f"{url}/join/{token}", "root")
    links = [invite(root, url, "moderator") for _ in range(2)]
    ann.join(links[0], "ann")
    ann.settle()
    ann.shot("queue")
    assert "52 listings to look at" in ann.page.inner_text("h1")

    ann.press_and_go("t")
    ann.settle()
    ann.shot("listing")
    ann.page.keyboard.press("2")
    assert ann.page.evaluate("document.activeElement.id") == "sign-2"
    bea.join(links[1], "bea")
    bea.press_and_go("t")
    assert bea.listing() != ann.listing()  # a colleague in parallel

    waits, seen = [], [ann.listing()]
    for n in range(DECISIONS):
        holds = ann.page.locator("#sign-1.against").count() > 0 and n % 2 == 0
        waits.append(ann.press_and_go(*(("h", "1", "Enter") if holds else ("g",))))
        seen.append(ann.listing())
        if n % 10 == 9:
            ann.settle()
    assert len(set(seen)) == DECISIONS + 1
    assert bea.listing() not in seen
    assert f"{DECISIONS} by you today" in ann.page.inner_text(".today")
    print(f"\n{DECISIONS} decisions, next listing after {median(waits):.0f} ms (median), {max(waits):.0f} ms (longest)")

    ann.press_and_go("u")  # taken back: the last one is here again
    assert ann.listing() == seen[-2]
    ann.press_and_go("g")
    assert ann.listing() == seen[-1]

    ann.page.keyboard.press("h")  # without a reason nothing is sent
    ann.page.keyboard.press("Enter")
    ann.page.wait_for_selector(".tray[open] .why:visible")
    ann.shot("reason-missing")
    assert ann.listing() == seen[-1]
    ann.page.keyboard.press("Escape")

    ann.page.keyboard.press("p")  # asking the seller
    ann.shot("asking")
    assert "Could you please add a photo" in ann.page.input_value("textarea[name=message]")
    ann.press_and_go("Enter")
    assert ann.complaints == bea.complaints == root.complaints == []
    assert max(ann.shifts) < MOST_SHIFT


def test_corrections_take_two_keystrokes_and_stay_on_the_page(chromium, address):
    url, token = address
    ann = Desk(chromium)
    ann.join(f"{url}/join/{token}", "ann")
    ann.press_and_go("t")
    ann.settle()
    page = ann.page
    page.keyboard.press("c")
    page.keyboard.press("1")
    page.wait_for_selector("#sign-1 .corrected")
    page.keyboard.press("b")
    page.keyboard.press("1")
    page.wait_for_selector(".shot.shown .outline.wrong")
    frame = page.locator(".shot.shown svg").bounding_box()
    page.mouse.move(frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    page.mouse.down()
    page.mouse.move(frame["x"] + frame["width"] / 2 + 60, frame["y"] + frame["height"] / 2 + 50, steps=4)
    page.mouse.up()
    page.wait_for_selector("text=The true box is noted.")
    ann.shot("corrected")
    page.keyboard.press("c")
    page.keyboard.press("1")
    page.wait_for_selector("#sign-1 .corrected", state="detached")
    ann.go(f"{url}/figures")
    assert "elsewhere" in page.inner_text("main")
    # The latest run is of pairs in which every cue departs one time in four.
    assert "The chances lie otherwise than at fitting" in page.inner_text("main")
    assert page.locator(".scroll tbody tr").count() > 20
    ann.shot("figures")
    assert ann.complaints == []


def hold_back_words(page):
    return page.input_value('form[data-keep="hold_back"] [name=words]')


def test_nothing_typed_is_lost_without_network_session_or_listing(chromium, address):
    url, token = address
    root, ann, bea = Desk(chromium), Desk(chromium), Desk(chromium)
    root.join(f"{url}/join/{token}", "root")
    ann.join(invite(root, url, "moderator"), "ann")
    bea.join(invite(root, url, "moderator"), "bea")
    ann.press_and_go("t")
    ann.settle()
    page, listing = ann.page, ann.listing()
    page.keyboard.press("n")
    page.keyboard.type("a note half written")
    page.keyboard.press("Escape")
    page.keyboard.press("h")
    page.keyboard.press("w")
    page.keyboard.type("the word on the tab is another")

    ann.context.set_offline(True)
    page.keyboard.press("Enter")
    page.wait_for_selector("#alarm:has-text('No answer')")
    ann.shot("no-network")
    assert (ann.listing(), hold_back_words(page)) == (listing, "the word on the tab is another")
    ann.context.set_offline(False)

    ann.context.clear_cookies(name="denim_seat")  # as when the session has ended
    page.keyboard.press("Enter")
    page.wait_for_selector("#kept:visible")
    ann.shot("session-ended")
    ann.sign_in_again("ann")
    page.wait_for_selector(".tray[open]")
    ann.shot("back-again")
    assert (ann.listing(), hold_back_words(page)) == (listing, "the word on the tab is another")
    assert page.input_value(".note [name=words]") == "a note half written"

    with root.context.expect_page() as admins:  # the session ends, so the listing is free, and a colleague takes it
        root.page.evaluate("open('/people')")
    change = admins.value.locator("tr", has_text="ann").locator("text=Change")
    change.click()
    admins.value.wait_for_load_state()
    bea.go(f"{url}/look/{listing}")
    bea.press("t")
    bea.page.wait_for_selector("#clock")
    page.keyboard.press("Enter")
    ann.sign_in_again("ann")
    page.wait_for_selector("text=A colleague is looking at this listing")
    ann.shot("colleague-has-it")
    assert page.input_value(".note [name=words]") == "a note half written; the word on the tab is another"
    ann.press_and_go("t")  # and on
    assert ann.listing() != listing


def test_a_photo_is_enlarged_where_a_sign_was_seen(chromium, address):
    url, token = address
    ann = Desk(chromium)
    ann.join(f"{url}/join/{token}", "ann")
    ann.press_and_go("t")
    ann.settle()
    page = ann.page
    crops = page.locator(".reasons [data-box]").all()
    boxes = [[float(side) for side in crop.get_attribute("data-box").split(",")] for crop in crops]
    crop, (x, y, w, h) = min(zip(crops, boxes, strict=True), key=lambda one: one[1][2] * one[1][3])  # the smallest part
    crop.click()
    page.wait_for_selector("body.close-up")
    svg = page.locator(".shot.shown svg")
    whole = f"0 0 {svg.get_attribute('data-w')} {svg.get_attribute('data-h')}"
    left, top, width, height = (float(side) for side in svg.get_attribute("viewBox").split())
    assert width < float(whole.split()[2])
    assert left <= x
    assert top <= y
    assert x + w <= left + width
    assert y + h <= top + height
    ann.shot("close-up")
    page.keyboard.press("+")
    assert float(svg.get_attribute("viewBox").split()[2]) < width
    page.keyboard.press("0")
    assert svg.get_attribute("viewBox") == whole
    page.keyboard.press("Escape")
    assert page.locator("body.close-up").count() == 0
    assert ann.complaints == []


@pytest.mark.parametrize(
    ("shade", "viewport"), [("light", DESKTOP), ("dark", TABLET)], ids=["light desktop", "dark tablet"]
)
def test_axe_finds_nothing_serious_and_nothing_overflows(chromium, address, shade, viewport):
    url, token = address
    desk = Desk(chromium, viewport, shade)
    name = f"{shade}-{viewport['width']}"
    desk.go(f"{url}/join/{token}")
    found = {"join": desk.serious()}
    desk.join(f"{url}/join/{token}", "ann")
    for path in ("", "figures", "people", "settings", "trail", "done"):
        desk.go(f"{url}/{path}")
        found[path] = desk.serious()
        assert desk.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, path
    desk.go(url)
    desk.shot(f"queue-{name}")
    desk.go(f"{url}/settings")
    desk.shot(f"settings-{name}")
    desk.go(url)
    desk.press_and_go("t")
    desk.settle()
    found["listing"] = desk.serious()
    desk.shot(f"listing-{name}")
    assert desk.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    desk.page.keyboard.press("h")
    found["tray"] = desk.serious()
    desk.shot(f"holding-back-{name}")
    assert {where: what for where, what in found.items() if what} == {}
