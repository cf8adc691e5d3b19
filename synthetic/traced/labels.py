"""True boxes, points, cue states and print of a planned photo, from its geometry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.domain import Box, PartName
from synthetic.traced.camera import Camera
from synthetic.traced.scene import Part, Scene
from synthetic.traced.sensor import Pixels
from synthetic.traced.shapes import Array

# Pixels per mm, blur taken off, from which the cue can be told; chosen by looking at photos of this renderer.
TELLING_PX_PER_MM: Mapping[str, float] = {
    "tab_position": 0.9, "tab_stitch_spacing": 2.6, "tab_thread": 1.8, "tab_resewn": 4.2, "tab_word": 3.4,
    "label_ground": 0.7, "label_size_print": 2.3, "label_size_order": 4.6, "label_motto_curve": 2.0,
    "label_fading": 1.6, "button_finish": 5.0, "button_lettering": 7.0, "metal": 2.8, "rivet_stamp": 6.5,
    "zip_mark": 4.5,
}  # fmt: skip
_READABLE_PX = 11.0  # height of a digit, blur taken off
_LEAST_CLEAR, _CLEAR_FOR_CUES, _CLEAR_FOR_WORDS = 0.25, 0.7, 0.86  # shares of a part in the frame and uncovered
_WORDS = ("tab_word", "button_lettering", "rivet_stamp", "zip_mark")
_LEAST_PX = 9
_BURNT = 248


@dataclass(frozen=True, slots=True)
class Note:
    """What is annotated of one part in one photo."""

    part: PartName
    box: Box
    cues: Mapping[str, str]
    text: str | None = None
    keypoints: tuple[tuple[float, float], ...] = ()
    tab_position_mm: float | None = None


def annotate(scene: Scene, camera: Camera, photo: Pixels | None = None) -> list[Note]:
    """Notes on every part that shows enough of itself; with the photo given, burnt-out metal loses its cues."""
    hiding = [_hull(camera.project(points)) for points in scene.in_front]
    notes = []
    for part in scene.parts:
        note = _note(part, scene, camera, hiding)
        if note is not None:
            notes.append(note if photo is None else _without_burnt(note, photo))
    return notes


def effective_px_per_mm(camera: Camera, points: Array) -> float:
    """Scale at the part, lowered by what blur takes away."""
    return camera.px_per_mm(points) / float(np.sqrt(1 + camera.blur_px(points) ** 2))


def _hull(px: Array) -> Array:
    return np.asarray(cv2.convexHull(px.astype(np.float32))[:, 0], np.float32)


def _shown(px: Array, size_wh: tuple[int, int], hiding: Sequence[Array]) -> Array:
    """Which of the places (n, 2) lie in the frame and under nothing."""
    seen = (px >= 0).all(1) & (px[:, 0] <= size_wh[0]) & (px[:, 1] <= size_wh[1])
    for hull in hiding:
        near = seen & (px >= hull.min(0)).all(1) & (px <= hull.max(0)).all(1)
        for at in np.flatnonzero(near):
            seen[at] = cv2.pointPolygonTest(hull, (float(px[at, 0]), float(px[at, 1])), False) < 0
    return np.asarray(seen)


def _note(part: Part, scene: Scene, camera: Camera, hiding: Sequence[Array]) -> Note | None:
    px = camera.project(part.points)
    seen = _shown(px, camera.size_wh, hiding)
    clear = float(seen.mean())
    if clear < _LEAST_CLEAR:
        return None
    (x0, y0), (x1, y1) = px[seen].min(0), px[seen].max(0)
    if min(x1 - x0, y1 - y0) < _LEAST_PX:
        return None
    sharp = effective_px_per_mm(camera, part.points)
    cues = {cue: state for cue, state in part.states.items() if _telling(cue, scene, camera, sharp, clear)}
    return Note(
        part.name, Box(float(x0), float(y0), float(x1 - x0), float(y1 - y0)), cues,
        part.text if _readable(part, camera, hiding, sharp) else None,
        () if part.keypoints is None else tuple((float(x), float(y)) for x, y in camera.project(part.keypoints)),
        part.tab_position_mm if "tab_position" in cues else None,
    )  # fmt: skip


def _telling(cue: str, scene: Scene, camera: Camera, sharp: float, clear: float) -> bool:
    if sharp < TELLING_PX_PER_MM[cue] or clear < (_CLEAR_FOR_WORDS if cue in _WORDS else _CLEAR_FOR_CUES):
        return False
    return cue != "tab_position" or _pocket_whole(scene, camera)


def _pocket_whole(scene: Scene, camera: Camera) -> bool:
    """How high a tab sits can be told only with the pocket's corners in the frame."""
    for part in scene.parts:
        if part.keypoints is not None:
            return bool(_shown(camera.project(part.keypoints), camera.size_wh, ()).all())
    return False


def _readable(part: Part, camera: Camera, hiding: Sequence[Array], sharp: float) -> bool:
    if part.text is None or part.print_points is None or part.print_mm * sharp < _READABLE_PX:
        return False
    middle = part.print_points.mean(0)
    around = np.concatenate([part.print_points, (part.print_points + middle) / 2, middle[None]])
    return bool(_shown(camera.project(around), camera.size_wh, hiding).all())


def _without_burnt(note: Note, photo: Pixels) -> Note:
    """Metal that the picture shows white has lost its colour and its coat."""
    if note.part not in (PartName.BUTTON, PartName.RIVET):
        return note
    x0, y0, x1, y1 = (round(v) for v in note.box.xyxy)
    cut = photo[y0:y1, x0:x1].min(-1)
    if cut.size == 0 or float((cut >= _BURNT).mean()) < 0.4:
        return note
    kept = {cue: state for cue, state in note.cues.items() if cue not in ("metal", "button_finish")}
    return Note(note.part, note.box, kept, note.text, note.keypoints, note.tab_position_mm)
