"""A moderator's work, page by page, without a browser."""

from __future__ import annotations

import io
import re
from urllib.parse import unquote

import pytest
from PIL import Image

from pipeline.records import dossier
from pipeline.records.tables import Listing, Reason, ReusedPhoto, Unseen
from pipeline.records.words import Role, State
from tests.review.conftest import NASTY


def where(answer):
    return unquote(answer.url.path)


def state_of(page, listing_id):
    with page.records.reading() as db:
        return db.query(Listing).filter_by(listing_id=listing_id).one().state


def test_the_queue_shows_all_listings_most_suspicious_first(ann):
    shown = re.findall(r'<span class="id">([^<]+)</span>', ann.get("/").text)
    assert shown == ["L/1", "L2", "L3"]


def test_deciding_leads_to_the_next_listing_and_tells_what_was_done(page, ann):
    first = ann.post("/next")
    assert where(first) == "/look/L/1"
    second = ann.post("/decide/L/1", {"choice": "let_go"})
    assert where(second) == "/look/L2"
    assert "L/1: let go" in second.text
    assert state_of(page, "L/1") == State.GONE


def test_when_nothing_is_left_the_page_says_so(ann):
    ann.post("/next")
    for name in ("L/1", "L2", "L3"):
        last = ann.post(f"/decide/{name}", {"choice": "let_go"})
    assert where(last) == "/done"


def test_taking_back_leads_to_the_listing_again(page, ann):
    ann.post("/next")
    ann.post("/decide/L/1", {"choice": "let_go"})
    assert where(ann.post("/undo")) == "/look/L/1"
    assert state_of(page, "L/1") == State.WAITING


def test_holding_back_without_a_reason_is_refused_in_words(page, ann):
    ann.post("/next")
    refused = ann.post("/decide/L/1", {"choice": "hold_back"})
    assert refused.status_code == 409
    assert "needs a reason" in refused.text
    assert state_of(page, "L/1") == State.WAITING
    ann.post("/decide/L/1", {"choice": "hold_back", "cues": "tab_word"})
    assert state_of(page, "L/1") == State.HELD


def test_what_was_refused_leads_back_to_its_listing(ann):
    ann.post("/next")
    refused = ann.post("/decide/L/1", {"choice": "hold_back"})
    assert 'href="/look/L/1" autofocus>Back to L/1<' in refused.text
    assert "Back to" not in ann.post("/undo").text


def test_deciding_twice_changes_nothing_the_second_time(ann):
    ann.post("/next")
    ann.post("/decide/L/1", {"choice": "let_go"})
    assert ann.post("/decide/L/1", {"choice": "hold_back", "cues": "tab_word"}).status_code == 409


def test_a_colleague_gets_another_listing_and_sees_that_this_one_is_looked_at(page, ann):
    ann.post("/next")
    bea = page.as_somebody("bea")
    assert where(bea.post("/next")) == "/look/L2"
    assert "A colleague is looking" in bea.get("/look/L/1").text
    assert bea.post("/decide/L/1", {"choice": "let_go"}).status_code == 409


def test_the_sellers_words_are_shown_as_words(ann):
    shown = ann.get("/look/L/1").text
    assert NASTY not in shown
    assert "&lt;script&gt;alert(" in shown
    assert "<img src=x" not in shown


def test_what_the_photos_speak_against_is_marked_in_the_sellers_words(ann):
    shown = ann.get("/look/L/1").text
    assert "Harbour <mark>QM-21</mark>" in shown
    assert "<mark>" not in ann.get("/look/L2").text


def test_each_sign_shows_its_crop_a_genuine_part_and_how_strongly_it_speaks(ann):
    shown = ann.get("/look/L/1").text
    assert "Moderately strong support against genuine" in shown
    assert "Weak support for genuine" in shown
    crop = re.search(r'src="(/crop/\d+/0)"', shown)[1]
    reference = re.search(r'src="(/reference/quillmere/[^"]+)"', shown)[1]
    for path in (crop, reference):
        assert Image.open(io.BytesIO(ann.get(path).content)).size == (336, 252)


def test_what_is_not_shown_and_the_message_that_asks_for_it_stand_on_the_page(ann):
    ann.post("/next")
    shown = ann.get("/look/L/1").text
    assert "<b>button back</b>" in shown
    assert "Could you please add a photo of the waistband label, straight on and sharp?" in shown


def test_what_is_not_shown_is_told_by_part_and_nothing_missing_is_said_so(page, ann):
    shown = ann.get("/look/L/1").text
    assert "<b>button back</b></li>" in shown  # its code is all that could be judged of it
    with page.records.writing() as db:
        assessment = db.query(Listing).filter_by(listing_id="L/1").one().assessment_id
        db.add(Unseen(assessment_id=assessment, cue="tab_thread"))
    shown = ann.get("/look/L/1").text
    assert "<b>button back</b></li>" in shown
    assert re.search(r"<b>tab</b>, of it: <span[^>]*>thread of the tab</span>", shown)
    assert "show all that there is to judge" in ann.get("/look/L2").text


def test_all_signs_stand_at_a_glance_above_their_cards(ann):
    shown = ann.get("/look/L/1").text
    glance = shown[shown.index('class="glance"') : shown.index('class="reasons"')]
    assert re.findall(r'href="#(sign-\d)"', glance) == ["sign-1", "sign-2", "sign-3"]


def test_an_empty_queue_says_whether_filters_or_work_made_it_empty(page, ann):
    assert "Nothing here matches" in ann.get("/?words=nothinglikethis").text
    with page.records.writing() as db:
        for listing in db.query(Listing):
            listing.state, listing.is_open = State.GONE, False
    assert "Everything is looked at" in ann.get("/").text
    assert "Everything is looked at" in ann.get("/?order=loss").text


def test_a_page_that_is_not_there_does_not_speak_of_something_undone(ann):
    assert "<h1>Not found</h1>" in ann.get("/look/nowhere").text


def test_the_trail_names_signs_as_a_moderator_calls_them(page, ann):
    ann.post("/take/L/1")
    ann.post("/decide/L/1", {"choice": "hold_back", "cues": "tab_word"})
    assert "for: word on the tab" in page.as_somebody("root", Role.ADMIN).get("/trail").text


def test_the_same_photo_under_another_seller_is_named(ann):
    assert re.search(r"L3</a>, seller s2", ann.get("/look/L/1").text)
    assert "Found under no other seller" in ann.get("/look/L2").text


def test_a_photo_cut_out_of_another_sellers_stands_beside_it_with_a_link(page, ann):
    with page.records.writing() as db:
        first, second = (db.query(Listing).filter_by(listing_id=name).one() for name in ("L/1", "L2"))
        (theirs,), (mine, *_) = (dossier.photos_of(db, one) for one in (first, second))
        made = {"assessment_id": second.assessment_id, "photo": mine}
        db.add(ReusedPhoto(position=0, other_listing="L/1", other_photo=theirs, is_mirrored=True, shows="less", **made))
        db.add(
            Reason(
                position=0, cue="photo_reuse", state="other_seller", probability=0.9, log10_lr=1.0, sentence="Same.",
                box=None, measured=None, note=None, heat=None, **made,
            )
        )  # fmt: skip
    shown = ann.get("/look/L2").text
    assert "photo is cut out of that one, mirrored." in shown
    beside = re.search(r'<figure><a href="/look/L/1"><img class="whole" src="([^"]+)"', shown)[1]
    for path in (beside, f"/photo/{theirs}/120", f"/photo/{mine}/120"):
        assert path in shown
        assert ann.get(path).status_code == 200


def test_a_photo_that_can_not_be_shown_is_named_with_the_reason(page, ann):
    with page.records.writing() as db:
        listing = db.query(Listing).filter_by(listing_id="L2").one()
        mine, *_ = dossier.photos_of(db, listing)
        made = {"assessment_id": listing.assessment_id, "photo": mine, "is_mirrored": False, "shows": "less"}
        db.add(ReusedPhoto(position=0, other_listing="L9", other_seller="s9", other_photo=None, **made))
    shown = ann.get("/look/L2").text
    assert re.search(r"L9</span>, seller s9", shown)
    assert "never came into this database" in shown
    assert 'href="/look/L9"' not in shown


def test_earlier_decisions_on_the_same_seller_are_shown(page, ann):
    ann.post("/take/L2")
    ann.post("/decide/L2", {"choice": "hold_back", "words": "the rivets are wrong"})
    shown = ann.get("/look/L3").text
    assert "1 held back" in shown
    assert re.search(r'href="/look/L2">L2</a> held back', shown)


def test_a_photo_that_could_not_be_read_says_why(ann):
    assert "there is no such photo file" in ann.get("/look/L2").text


def photo_links(ann, listing="L/1"):
    return re.findall(r'href="(/photo/[0-9a-f]{64}/900)"', ann.get(f"/look/{listing}").text)


def test_a_served_photo_carries_nothing_but_its_pixels(page, ann):
    original = (page.run_dir.parent / "p/1.jpg").read_bytes()
    assert b"SECRETCAMERA" in original
    served = ann.get(photo_links(ann)[0]).content
    assert b"SECRETCAMERA" not in served
    image = Image.open(io.BytesIO(served))
    assert not image.getexif()
    assert image.size == (800, 600)


@pytest.mark.parametrize(
    "path",
    [
        "/photo/../../etc/passwd/900",
        "/photo/" + "0" * 64 + "/900",
        "/photo/p%2F1.jpg/900",
        "/reference/..%2F../x",
        "/reference/quillmere/..%2Ftab",
    ],
)
def test_no_path_in_an_address_leads_to_a_file(ann, path):
    assert ann.get(path).status_code == 404


def test_a_photo_that_changed_since_it_was_taken_in_is_not_shown(page, ann):
    link = photo_links(ann)[0]
    path = page.run_dir.parent / "p/1.jpg"
    Image.new("RGB", (800, 600)).save(path)
    assert ann.get(link).status_code == 404


def test_an_odd_width_is_not_served(ann):
    assert ann.get(photo_links(ann)[0].replace("/900", "/5000")).status_code == 404


def test_a_correction_stands_on_the_page_until_it_is_taken_back(ann):
    ann.post("/next")
    for is_corrected in (True, False):
        ann.post("/correct/L/1", {"cue": "style_agrees", "truly": "yes"})
        assert ("truly: printed style equals the stated one" in ann.get("/look/L/1").text) is is_corrected


def test_a_wrong_box_is_struck_out(ann):
    ann.post("/next")
    part = re.search(r'data-wrong-box="(\d+)"', ann.get("/look/L/1").text)[1]
    shown = ann.post("/correct/L/1", {"part_id": part})
    assert "tab: wrong box" in shown.text
    assert ann.post("/correct/L2", {"part_id": part}).status_code == 404
    assert ann.post("/correct/L/1", {"part_id": part, "box": "1,2,nan"}).status_code == 409


def test_notes_and_decisions_make_the_history(page, ann):
    ann.post("/note/L2", {"words": "ask about the <b>label</b>"})
    ann.post("/take/L2")
    ann.post("/decide/L2", {"choice": "hold_back", "words": "the rivets are wrong"})
    shown = ann.get("/look/L2").text
    assert "ask about the &lt;b&gt;label&lt;/b&gt;" in shown
    assert "the rivets are wrong" in shown


def test_the_first_opinion_is_kept_from_who_is_to_give_the_second(page, ann):
    ann.post("/take/L2")
    ann.post("/decide/L2", {"choice": "hold_back", "words": "the rivets are wrong"})
    with page.records.writing() as db:
        listing = db.query(Listing).filter_by(listing_id="L2").one()
        listing.state, listing.is_open = State.SECOND, True
    bea = page.as_somebody("bea")
    assert "the rivets are wrong" in ann.get("/look/L2").text
    for path in ("/look/L2", "/look/L3"):
        assert "rivets are wrong" not in bea.get(path).text
    assert "L2</a> held back" not in bea.get("/look/L3").text


def test_an_objection_opens_a_decided_listing(page, ann):
    ann.post("/take/L2")
    ann.post("/decide/L2", {"choice": "let_go"})
    ann.post("/again/L2", {"words": "the buyer complains"})
    assert state_of(page, "L2") == State.WAITING
    assert "Opened again: the buyer complains" in ann.get("/look/L2").text


def test_the_open_page_hears_when_its_listing_is_lost(page, ann):
    ann.post("/next")
    assert ann.post("/still/L/1").status_code == 204
    assert ann.post("/still/L2").status_code == 409


def test_every_page_carries_the_caution(ann):
    for path in ("/", "/look/L2", "/done"):
        assert "A score is a reason to look, not proof." in ann.get(path).text


@pytest.mark.parametrize("page_number", ["0", "-1", "abc", "99999999999"])
def test_odd_page_numbers_give_no_error_of_ours(ann, page_number):
    assert ann.get(f"/?page={page_number}").status_code in {200, 422}


def test_a_filtered_queue_can_be_worked_through(page, ann):
    shown = ann.get("/?seller=s2&order=loss").text
    within = re.search(r'name="within" value="([^"]*)"', shown)[1]
    assert within == "seller=s2"
    way = {"within": within, "order": "loss"}
    first = ann.post("/next", way)
    assert first.url.path == "/look/L2"
    assert "You work through a part of the queue" in first.text
    second = ann.post("/decide/L2", {"choice": "let_go", **way})
    assert (second.url.path, dict(second.url.params)["within"]) == ("/look/L3", "seller=s2")
    back = ann.post("/undo", way)
    assert (back.url.path, dict(back.url.params)["order"]) == ("/look/L2", "loss")
    ann.post("/decide/L2", {"choice": "let_go", **way})
    done = ann.post("/decide/L3", {"choice": "let_go", **way})
    assert "Nothing is left for you in this part of the queue" in done.text
    assert ann.post("/next").url.path == "/look/L/1"


def test_what_is_no_filter_lets_the_whole_queue_through(ann):
    assert ann.post("/next", {"within": "state=gone&nonsense=1&%00"}).url.path == "/look/L/1"
