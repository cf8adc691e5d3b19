"""The sheet as one HTML page: pictures inside it, no script, light or dark as the reader's system is set."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from html import escape

from PIL import Image

from pipeline.contact_sheet._content import CROP_WH, KEY, TITLE, Clue, Entry, signed
from pipeline.domain import CAUTION

_STYLE = """
:root { color-scheme: light dark; --paper: #f4f2ed; --card: #fff; --ink: #1b2126; --muted: #5d656c; --line: #dad5ca;
  --for: #b0481f; --against: #2a6b74; --notice: #fff3d1; }
@media (prefers-color-scheme: dark) { :root { --paper: #15181b; --card: #1e2327; --ink: #e8e6e1; --muted: #a0a7ad;
  --line: #343a40; --for: #e8875c; --against: #6fb5bf; --notice: #3a3218; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 1600px; padding: 1.2rem; background: var(--paper); color: var(--ink);
  font: 15px/1.4 system-ui, sans-serif; }
h1 { font-size: 1.5rem; margin: 0 0 .7rem; }
.caution { background: var(--notice); padding: .5rem .8rem; border-radius: 6px; font-weight: 600; margin: 0 0 .6rem; }
.key, .small { font-size: .85rem; color: var(--muted); }
ol { list-style: none; margin: 0; padding: 0; }
li { display: grid; grid-template-columns: 15rem 1fr; gap: 1.2rem; background: var(--card);
  border: 1px solid var(--line); border-radius: 8px; padding: 1rem; margin: .8rem 0; }
@media (max-width: 60rem) { li { grid-template-columns: 1fr; } }
.top { display: flex; justify-content: space-between; align-items: baseline; font-size: 1.6rem; font-weight: 700; }
.side p { margin: .3rem 0; overflow-wrap: anywhere; }
.clues { display: flex; flex-wrap: wrap; gap: .9rem; }
figure { margin: 0; width: 232px; }
figure img, .no-crop { display: block; width: 232px; height: 174px; border-radius: 3px; }
.no-crop { background: var(--paper); color: var(--muted); display: grid; place-items: center; font-size: .85rem; }
figcaption { font-size: .85rem; min-height: 5.6em; margin: .35rem 0; overflow-wrap: anywhere; }
.scale { display: flex; align-items: center; gap: .6rem; }
.bar { flex: 1; height: 10px; background: var(--paper); position: relative; }
.bar i { position: absolute; top: 0; bottom: 0; }
.bar::after { content: ""; position: absolute; left: 50%; top: -2px; bottom: -2px; border-left: 2px solid var(--ink); }
.for { color: var(--for); } .against { color: var(--against); }
i.for { background: var(--for); } i.against { background: var(--against); }
dl { margin: .8rem 0 0; display: grid; grid-template-columns: max-content 1fr; gap: .2rem .8rem; font-size: .85rem; }
dt { color: var(--muted); font-weight: 600; } dd { margin: 0; }
"""


def page_of(entries: Sequence[Entry]) -> str:
    """The whole page as text. Nothing of a listing's text reaches it unescaped, and it loads nothing."""
    rows = "\n".join(_row(entry) for entry in entries) or "<li>Nothing to show.</li>"
    return f"""<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{escape(TITLE)}</title>
<style>{_STYLE}</style>
<h1>{escape(TITLE)}</h1>
<p class="caution">{escape(CAUTION)}</p>
<p class="key">{escape(KEY)}</p>
<ol>
{rows}
</ol>
</html>
"""


def _row(entry: Entry) -> str:
    clues = "\n".join(_figure(clue) for clue in entry.clues)
    silent = "" if clues else '<p class="small">No photo or text of this listing says anything either way.</p>'
    return f"""<li>
<div class="side">
<div class="top"><span>{entry.rank}</span><span>{escape(entry.likely)}</span></div>
<p class="small">probability; all evidence {signed(entry.log10_lr)}</p>
{_bar(max(-1.0, min(1.0, entry.log10_lr / 6)))}
<p><b>{escape(entry.listing_id)}</b></p>
<p>{escape(entry.stated)}</p>
<p class="small">{escape(entry.title)}</p>
</div>
<div>
<div class="clues">{clues}</div>{silent}
<dl>{_term("Ask for", entry.ask_for)}{_term("Not seen", entry.not_seen)}</dl>
</div>
</li>"""


def _figure(clue: Clue) -> str:
    side = "for" if clue.log10_lr > 0 else "against"
    return f"""<figure>{_image(clue)}
<figcaption><b>{escape(clue.heading)}</b><br>{escape(clue.sentence)}</figcaption>
<div class="scale">{_bar(clue.bar)}<b class="{side}">{clue.number}</b></div>
</figure>"""


def _image(clue: Clue) -> str:
    if clue.crop is None:
        return '<div class="no-crop">from the listing\'s text</div>'
    width, height = CROP_WH
    return f'<img src="{_data_uri(clue.crop)}" width="{width}" height="{height}" alt="{escape(clue.sentence)}">'


def _data_uri(image: Image.Image) -> str:
    file = io.BytesIO()
    image.save(file, "JPEG", quality=85)
    return "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode("ascii")


def _bar(share: float) -> str:
    side, left = ("for", 50.0) if share > 0 else ("against", 50.0 + 50.0 * share)
    return f'<div class="bar"><i class="{side}" style="left:{left:.1f}%;width:{50 * abs(share):.1f}%"></i></div>'


def _term(word: str, text: str) -> str:
    return f"<dt>{word}</dt><dd>{escape(text)}</dd>" if text else ""
