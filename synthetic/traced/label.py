"""The waistband label: thick card or leather, burnt with the maker's artwork, sewn on, its size printed in ink.

The label's frame: its top left corner is (0, 0); x runs right, y up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.domain import PartName
from synthetic.traced.cloth import Sheet, smooth_noise
from synthetic.traced.colours import linear_of, mixed, varied
from synthetic.traced.letters import PLAIN, STURDY, Mask, bend, line, stamp
from synthetic.traced.pairs import Colour, Rng, TracedPair
from synthetic.traced.pocket import thread_colour
from synthetic.traced.scene import Part
from synthetic.traced.shapes import Array, Look, Surface, plate, put
from synthetic.traced.thread import Row, even_row, threads

_PX_PER_MM = 14
_THICK_MM = 1.3
_DARK, _WHITE = ("#2B2018", "#1E1A18", "#38261A"), ("#E9E6DF", "#F4F3EF", "#DEDAD0")
_INKS = ("#A3282B", "#1F4E9A", "#1D6B3A", "#7A2A86")


@dataclass(frozen=True, slots=True, eq=False)
class Artwork:
    """What is on a label: burnt and printed ink 0..1 over its face, and where the size print lies (mm)."""

    burnt: Mask
    printed: Mask
    print_points: Array
    print_mm: float


def artwork(pair: TracedPair) -> Artwork:
    """The label's ink. The size print may run into the lower or the left stitching, where the order shows."""
    wide, high = pair.sheet.label.size
    shape = int(high * _PX_PER_MM), int(wide * _PX_PER_MM)
    burnt, printed = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    habit = pair.rng("artwork")
    s = _PX_PER_MM
    face = str(habit.choice(STURDY))
    name = _fitted(line(pair.sheet.label.name_line, face, 7.5 * s, 0.06), 62 * s, 8.5 * s)
    stamp(burnt, name, (shape[1] / 2, 11.5 * s))
    _motto(burnt, pair, habit)
    _ornament(burnt, habit, (shape[1] / 2, 33.5 * s))
    frame = int(5.2 * s)
    cv2.rectangle(burnt, (frame, frame), (shape[1] - frame, shape[0] - frame), 0.8, int(0.35 * s), cv2.LINE_AA)
    points, cap = _size_print(printed, pair, pair.rng("size print"))
    return Artwork(burnt, printed, points, cap)


def _fitted(ink: Mask, most_wide: float, most_high: float) -> Mask:
    size = min(most_wide / ink.shape[1], most_high / ink.shape[0], 1.0)
    return np.asarray(cv2.resize(ink, None, fx=size, fy=size, interpolation=cv2.INTER_AREA), np.float32)


def _motto(burnt: Mask, pair: TracedPair, habit: Rng) -> None:
    s, middle = _PX_PER_MM, burnt.shape[1] / 2
    ink = _fitted(line(pair.sheet.label.motto, str(habit.choice(STURDY)), 3.2 * s, 0.16), 52 * s, 3.6 * s)
    radius = habit.uniform(36, 48) * s
    y = 23.5 * s
    if pair.motto_curve == "straight":
        stamp(burnt, ink, (middle, y))
    elif pair.motto_curve == "arch_up":
        bend(burnt, ink, (middle, y - 3.0 * s + radius), radius, np.pi / 2)
    else:
        bend(burnt, ink, (middle, y + 2.0 * s - radius), -radius, -np.pi / 2)


def _ornament(burnt: Mask, habit: Rng, at: tuple[float, float]) -> None:
    """The maker's ring with a dot between rows of waves."""
    s = _PX_PER_MM
    centre = int(at[0]), int(at[1])
    cv2.circle(burnt, centre, int(4.4 * s), 1.0, int(0.7 * s), cv2.LINE_AA)
    cv2.circle(burnt, centre, int(1.3 * s), 1.0, -1, cv2.LINE_AA)
    rows = int(habit.integers(2, 4))
    for side in (-1, 1):
        x = np.linspace(6.5, 25, 90)
        for k in range(rows):
            y = (k - (rows - 1) / 2) * 2.4 + 0.6 * np.sin(2 * np.pi * x / 4.5)
            path = np.stack([at[0] + side * x * s, at[1] + y * s], -1)
            cv2.polylines(burnt, [np.round(path * 16).astype(np.int32)], False, 1.0, int(0.4 * s), cv2.LINE_AA, 4)


def size_lines(pair: TracedPair) -> list[str]:
    """The lines printed on this pair's label."""
    return [
        text.format(style=pair.printed_style, waist=pair.printed_waist_in, leg=pair.printed_leg_in)
        for text in pair.sheet.label.size_lines
    ]


def _size_print(printed: Mask, pair: TracedPair, habit: Rng) -> tuple[Array, float]:
    s = _PX_PER_MM
    wide, high = pair.sheet.label.size
    cap = float(habit.uniform(3.0, 4.0))
    face = str(habit.choice(PLAIN))
    inks = [_fitted(line(text, face, cap * s, 0.08), 36 * s, 9 * s) for text in reversed(size_lines(pair))]
    cap = min(ink.shape[0] for ink in inks) / s
    crosses = habit.random() < 0.65
    low = high - (2.6 if crosses else 7.4) + float(habit.uniform(-0.5, 0.5))  # feet of the lower line, mm from the top
    skew = float(habit.normal(0, 0.025)) if pair.states["label_size_order"] == "over" else 0.0
    broad = max(ink.shape[1] for ink in inks) / s
    left = float(habit.choice([7.5, (wide - broad) / 2, wide - 7.5 - broad]))
    points: list[tuple[float, float]] = []
    for k, ink in enumerate(inks):
        half = ink.shape[1] / 2 / s
        x, y = left + half, low - cap / 2 - k * cap * 1.45
        stamp(printed, ink, (x * s, y * s), skew)
        points += [(x + side * half, -y + rise * cap / 2) for side in (-1, 1) for rise in (-1, 1)]
    patchy = smooth_noise(habit, (printed.shape[0], printed.shape[1]), 0.5 * s, 2)
    printed *= np.clip(1.05 - 0.15 * np.clip(patchy - 0.6, 0, 1.5), 0, 1)
    return np.array(points, np.float32), cap


def ground_colour(pair: TracedPair) -> Colour:
    """The face's own colour, before wear and dirt."""
    habit = pair.rng("ground")
    shade = pair.states["label_ground"]
    hexes = {"tan": (pair.sheet.label.ground,), "dark": _DARK, "white": _WHITE}[shade]
    colour = varied(linear_of(str(habit.choice(hexes))), habit, 0.10)
    if pair.states["label_fading"] == "ahead_of_wear":
        colour = mixed(colour, (0.66, 0.62, 0.55), float(habit.uniform(0.45, 0.65)))
    return colour


def ink_colour(pair: TracedPair) -> Colour:
    """The size print's ink."""
    habit = pair.rng("ink")
    black = pair.states["label_size_print"] == "black"
    return varied(linear_of(pair.sheet.label.size_print if black else str(habit.choice(_INKS))), habit, 0.1)


def edge_wear(pair: TracedPair) -> float:
    """How worn the label's edges are, 0..1: as the pair is, but hardly where it has faded ahead of its wear."""
    return 0.12 * pair.wear if pair.states["label_fading"] == "ahead_of_wear" else pair.wear


def _face(pair: TracedPair, art: Artwork) -> tuple[Array, Array]:
    """Colour and relief (mm) of the face."""
    habit = pair.rng("face")
    shape = art.burnt.shape[0], art.burnt.shape[1]
    ground = np.array(ground_colour(pair), np.float32)
    grain = smooth_noise(habit, shape, 0.7 * _PX_PER_MM, 3)
    cloud = smooth_noise(habit, shape, 16 * _PX_PER_MM, 2)
    worn = edge_wear(pair)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32) / _PX_PER_MM
    wide, high = pair.sheet.label.size
    rim = np.minimum(np.minimum(x, wide - x), np.minimum(y, high - y))
    colour = ground * (1 + 0.07 * grain + 0.07 * cloud)[..., None]
    bare = np.clip(np.exp(-rim / (0.6 + 2.2 * worn)) * (0.4 + 1.6 * worn) * (0.7 + 0.4 * grain) * worn * 1.8, 0, 0.8)
    colour += bare[..., None] * (np.array((0.50, 0.42, 0.32), np.float32) - colour)
    dirt = np.clip(smooth_noise(habit, shape, 9 * _PX_PER_MM, 3) - 0.4, 0, 2) * 0.13 * pair.wear
    colour *= (1 - np.clip(dirt, 0, 0.6))[..., None]
    creases = np.exp(-((smooth_noise(habit, shape, 12 * _PX_PER_MM, 2) / 0.03) ** 2)) * worn
    colour *= (1 - 0.3 * creases)[..., None]
    blind = np.array(linear_of(pair.sheet.label.blind_print), np.float32)
    if pair.states["label_ground"] == "dark":
        blind = ground * 0.35 + 0.02 * blind
    faint = 0.45 if pair.states["label_fading"] == "ahead_of_wear" else 1.0
    press = np.clip(art.burnt * faint * habit.uniform(0.75, 1.0) * (1 - 0.35 * bare), 0, 1)
    colour += press[..., None] * (blind - colour)
    _print_on(colour, art.printed * 0.96, ink_colour(pair))
    relief = 0.03 * grain - 0.16 * cv2.GaussianBlur(art.burnt, (0, 0), 1.2) - 0.10 * creases
    return np.clip(colour, 0.004, 0.9).astype(np.float32), relief.astype(np.float32)


def _print_on(colour: Array, ink: Mask, tone: Colour) -> None:
    colour += ink[..., None] * (np.array(tone, np.float32) - colour)


def sew_label(
    sheet: Sheet, pair: TracedPair, rng: Rng, at: tuple[float, float], turn: float, coarse: bool = False
) -> tuple[list[Surface], Part]:
    """Sew the label on a sheet.

    Args:
        sheet: what it lies on.
        pair: whose label.
        rng: chance.
        at: its top left corner.
        turn: radians.
        coarse: fewer points, for photos of the whole garment.
    """
    wide, high = pair.sheet.label.size
    art = artwork(pair)
    colour, relief = _face(pair, art)
    frayed = edge_wear(pair)
    habit = pair.rng("edge")
    ragged = np.interp(np.linspace(0, high, 200), np.linspace(0, high, 60), habit.standard_normal(60))

    def half(down: Array) -> Array:
        return np.asarray(wide / 2 - (0.08 + 0.3 * frayed) * np.abs(np.interp(down, np.linspace(0, high, 200), ragged)))

    counts = (140, 100) if coarse else (620, 430)
    body = plate(half, high, _THICK_MM, Look("card", colour, 0.55), relief, counts, 0.35, "label")
    points = body.points + np.array((wide / 2, 0, 0), np.float32)
    far = np.hypot(points[:, 0] / wide - 0.5, points[:, 1] / high + 0.5)
    points[:, 2] += pair.rng("curl").uniform(-0.4, 1.6) * far**3
    lie = _on(sheet, points, at, turn)
    body = body.moved(lie)
    rows, stitches = _stitch_rows(pair, rng)
    thread = _thread(pair, rng, rows, stitches, art)
    flat = np.column_stack([thread.points[:, :2], thread.points[:, 2]]).astype(np.float32)
    thread = thread.moved(_on(sheet, flat, at, turn))
    print_points = np.column_stack([art.print_points, np.full(len(art.print_points), _THICK_MM)])
    return [body, thread], Part(
        PartName.LABEL, lie, _states(pair, art, rows),
        text="\n".join(size_lines(pair)) if _size_print_shows(pair) else None,
        print_points=_on(sheet, print_points.astype(np.float32), at, turn), print_mm=art.print_mm,
    )  # fmt: skip


def _on(sheet: Sheet, points: Array, at: tuple[float, float], turn: float) -> Array:
    """Label's points laid on the sheet, which shows through in the large only."""
    lie = put(points, (at[0], at[1], 0.0), turn)
    lie[:, 2] += sheet.height_at(lie, 5.0) + 0.1
    return lie


def _stitch_rows(pair: TracedPair, rng: Rng) -> tuple[Row, Array]:
    """Stitches all round, and the heights they lie at."""
    wide, high = pair.sheet.label.size
    habit = pair.rng("label sewing")
    inset = float(habit.uniform(2.4, 3.4))
    loop = np.array([(inset, -inset), (wide - inset, -inset), (wide - inset, -high + inset), (inset, -high + inset),
                     (inset, -inset)], np.float32)  # fmt: skip
    row = even_row(rng, loop, pair.sheet.pocket.stitches_per_inch)
    return row, np.full(len(row.ends), _THICK_MM + 0.02)


def _thread(pair: TracedPair, rng: Rng, row: Row, base: Array, art: Artwork) -> Surface:
    """The thread; ink lies on it where the size was printed after sewing."""
    wide, high = pair.sheet.label.size
    thread = threads(row.ends, base, thread_colour(pair), rng, 0.30)
    if pair.states["label_size_order"] != "over":
        return thread
    colour = np.broadcast_to(np.array(thread_colour(pair), np.float32), (*art.printed.shape, 3)).copy()
    _print_on(colour, art.printed, ink_colour(pair))
    uv = np.column_stack([thread.points[:, 0] / wide, 1 + thread.points[:, 1] / high]).astype(np.float32)
    return Surface(thread.points, thread.faces, uv, Look("thread", colour, 0.5), "thread")


def _apart(a: Colour, b: Colour) -> float:
    """Greatest difference of two colours over the channels, as a picture codes them, 0..1."""
    return float(np.abs(np.array(a) ** (1 / 2.2) - np.array(b) ** (1 / 2.2)).max())


def _size_print_shows(pair: TracedPair) -> bool:
    return _apart(ink_colour(pair), ground_colour(pair)) > 0.22


def _states(pair: TracedPair, art: Artwork, row: Row) -> dict[str, str]:
    """What can be told of the label at all; the order of sewing and printing only where they meet."""
    cues = ["label_ground", "label_fading"]
    if pair.states["label_ground"] != "dark":  # burnt artwork hardly shows on a dark ground
        cues.append("label_motto_curve")
    if not _size_print_shows(pair):
        return {cue: pair.states[cue] for cue in cues}
    cues.append("label_size_print")
    at = np.round(row.ends.reshape(-1, 2) * (_PX_PER_MM, -_PX_PER_MM)).astype(int)
    middle = np.round(row.ends.mean(1) * (_PX_PER_MM, -_PX_PER_MM)).astype(int)
    h, w = art.printed.shape
    spots = np.concatenate([at, middle])
    spots = spots[(spots[:, 0] >= 0) & (spots[:, 0] < w) & (spots[:, 1] >= 0) & (spots[:, 1] < h)]
    if (
        int((art.printed[spots[:, 1], spots[:, 0]] > 0.5).sum()) >= 3
        and _apart(ink_colour(pair), thread_colour(pair)) > 0.15
    ):
        cues.append("label_size_order")
    return {cue: pair.states[cue] for cue in cues}
