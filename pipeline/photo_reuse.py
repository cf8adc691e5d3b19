"""The same photo under another seller, though cropped, mirrored, resized or re-encoded.

Three steps, each stricter than the one before. Corners of a small grey copy give short binary codes; photos that
share enough codes become candidates (no pair of photos is compared that shares none). A shift and scale is fitted to
the shared corners of a candidate pair. Then the two grey copies are laid over each other and compared cell by cell:
two photos of the same printed label share their corners, but only the same photo agrees everywhere.

The limits below were set on pieces of photos that ship with scikit-image; the tests say what they reach there.
"""

from __future__ import annotations

import io
import math
import struct
import zlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.domain import CueReading, Photo, ReuseMatch, Shows

CORNER_SIDE_PX = 256  # long side of the copy that corners are found on
THUMB_SIDE_PX = 128  # long side of the copy that is compared cell by cell
MAX_CORNERS = 150

CORNERS_VOTING = 120  # the strongest ones look for candidates
TABLES = 6
TABLE_BITS = 24
BUCKET_LIMIT = 40  # a code that more photos share than this says nothing about which photo it is
MIN_VOTES = 4
CANDIDATES_PER_PHOTO = 4

MAX_CODE_DISTANCE = 70  # of 256 bits
MIN_CORNERS_AGREEING = 6
SCALE_RANGE = (0.55, 1.8)  # 15 % off two sides leaves 0.7 of a side; half as much again for safety
MAX_TURN_RAD = 0.03  # copies are not turned; the fit itself errs by 0.014 at most in 99 of 100
CELLS_A_SIDE = 4
MIN_CELLS = 3
MIN_TEXTURE = 4  # spread of grey values, of 255; below it a cell holds little but noise
# Correlation as the corners lay two copies over each other; below it nothing is gained by laying them more exactly,
# which takes longest. Copies of photos that ship with scikit-image start from 0.91; of 1,231 pairs of different drawn
# photos seven in ten stay below.
MIN_BEFORE_SETTLING = 0.85
MIN_OVERLAP = 0.85  # of the photo that shows less: a crop lies inside what it was cropped from
MIN_WEAK_AGREEMENT = 0.9  # correlation in the cell at the lowest fifth; views from beside reach 0.84
# What differs once the light is made equal, as a spread of grey values (of 255): JPEG leaves 2.5 at most in 98 copies
# of 100, or a tenth of the contrast where that is high. Two care tags alike in all but their print leave 3.2 and more.
MAX_RESIDUE, MAX_RESIDUE_OF_CONTRAST = 3.0, 0.1

# The photo that shows less is the copy. Where neither does, either may be;
# the one that shows more says next to nothing about its seller.
COPY_LIKELIHOOD = {"none": 0.02, "other_seller": 0.98}
EITHER_LIKELIHOOD = {"none": 0.2, "other_seller": 0.8}
LATER_LIKELIHOOD = {
    "none": 0.06,
    "other_seller": 0.94,
}  # alike, and the other was listed first: it is likelier the owner
SOURCE_LIKELIHOOD = {"none": 0.5, "other_seller": 0.5}
# No match: the copy may stand in another night's export, so this weighs little.
NO_MATCH_LIKELIHOOD = {"none": 0.6, "other_seller": 0.4}
NOTHING_COMPARED_LIKELIHOOD = {"none": 0.5, "other_seller": 0.5}
_ALIKE = {True: LATER_LIKELIHOOD, False: SOURCE_LIKELIHOOD, None: EITHER_LIKELIHOOD}  # by whether the other came first


CODE_BYTES = 32  # of one corner
_CORNER_BYTES = 2 * 4 + CODE_BYTES
_SIZES = struct.Struct("<4H")  # corners, corners mirrored, the grey copy's height and width
_ARCHIVE = b"PK"


class Corners(NamedTuple):
    """Corners of a grey copy: `points` (n, 2) float32 x, y px; `codes` (n, 32) uint8. Strongest first."""

    points: NDArray[np.float32]
    codes: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Fingerprint:
    """What is kept of a photo to know it again, about 25 kB: corners as shown and mirrored, and a small grey copy."""

    corners: Corners
    mirrored: Corners
    thumb: NDArray[np.uint8]


def fingerprint_to_bytes(one: Fingerprint) -> bytes:
    """A fingerprint for keeping, about 17 kB: its sizes, then its arrays, deflated (RFC 1950)."""
    height, width = one.thumb.shape
    sizes = _SIZES.pack(len(one.corners.points), len(one.mirrored.points), height, width)
    arrays = (array.tobytes() for array in (*one.corners, *one.mirrored, one.thumb))
    return sizes + zlib.compress(b"".join(arrays), level=1)


def fingerprint_from_bytes(data: bytes) -> Fingerprint:
    """The fingerprint that was kept.

    Raises:
        ValueError: if it is none.
    """
    if data.startswith(_ARCHIVE):
        return _from_archive(data)
    try:
        corners, mirrored, height, width = _SIZES.unpack_from(data)
        rest = zlib.decompress(data[_SIZES.size :])
    except (struct.error, zlib.error) as err:
        raise ValueError(f"no fingerprint: {err}") from err
    if len(rest) != (corners + mirrored) * _CORNER_BYTES + height * width:
        raise ValueError("no fingerprint: it is longer or shorter than it says")
    first, second = corners * _CORNER_BYTES, (corners + mirrored) * _CORNER_BYTES
    thumb = np.frombuffer(rest, np.uint8, offset=second).reshape(height, width)
    return Fingerprint(_corners_from(rest[:first], corners), _corners_from(rest[first:second], mirrored), thumb)


def _corners_from(data: bytes, count: int) -> Corners:
    points = np.frombuffer(data, "<f4", count * 2).reshape(count, 2)
    return Corners(points, np.frombuffer(data, np.uint8, offset=points.nbytes).reshape(count, CODE_BYTES))


def _from_archive(data: bytes) -> Fingerprint:
    """As fingerprints were kept before: an archive of NumPy's, which takes ten times as long to read."""
    with np.load(io.BytesIO(data), allow_pickle=False) as kept:
        corners = Corners(kept["points"], kept["codes"])
        mirrored = Corners(kept["mirrored_points"], kept["mirrored_codes"])
        return Fingerprint(corners, mirrored, kept["thumb"])


class ReuseEntry(NamedTuple):
    """One photo of a night's listings."""

    listing_id: str
    seller_id: str
    photo: str
    fingerprint: Fingerprint


def fingerprint(photo: Photo) -> Fingerprint:
    """Boil a photo down to what is needed to know it again.

    Args:
        photo: upright, uint8 RGB.

    Returns:
        Its fingerprint; a photo without any texture gets one without corners, which matches nothing.
    """
    grey = _grey_copy(photo.pixels, CORNER_SIDE_PX)
    corners, mirrored = _corners_both_ways(grey)
    return Fingerprint(corners, mirrored, thumb=_resized(grey, THUMB_SIDE_PX))


def find_reuse(entries: Sequence[tuple[str, str, str, Fingerprint]]) -> dict[str, list[ReuseMatch]]:
    """Find the photos that stand under more than one seller.

    Args:
        entries: listing_id, seller_id, photo path and fingerprint of every photo. Photos of one seller are not
            compared with each other, nor are those of a listing whose seller is not known ("").

    Returns:
        By listing_id, the most cut down first; listings without a match are absent. A match is named on both sides.
    """
    known = [ReuseEntry(*entry) for entry in entries if entry[1]]
    found: dict[str, list[ReuseMatch]] = defaultdict(list)
    for first, second in _candidates(known):
        one, other = known[first], known[second]
        same = compare(one.fingerprint, other.fingerprint)
        if same is not None:
            found[one.listing_id].append(_match(one, other, same))
            found[other.listing_id].append(_match(other, one, same.from_the_other_side))
    return {name: sorted(matches, key=lambda match: -match.crop_margin) for name, matches in found.items()}


def reuse_reading(
    matches: Sequence[ReuseMatch], n_compared: int, came_first: Mapping[str, bool] | None = None
) -> CueReading:
    """What the search says about the cue `photo_reuse` of one listing.

    Args:
        matches: the listing's matches, as `find_reuse` orders them.
        n_compared: how many photos of other sellers it was compared with.
        came_first: other listing_id -> whether it was listed before this one; those left out are not known.

    Returns:
        A reading that points at the first match, or nearly even where there was none.
    """
    if not matches:
        return CueReading("photo_reuse", NO_MATCH_LIKELIHOOD if n_compared else NOTHING_COMPARED_LIKELIHOOD)
    best = matches[0]
    other_came_first = (came_first or {}).get(best.other_listing_id)
    how = ", mirrored" if best.is_mirrored else ""
    if best.shows is Shows.LESS:
        # Cut down and yet listed first: its owner may have listed the whole photo again later.
        likelihood = EITHER_LIKELIHOOD if other_came_first is False else COPY_LIKELIHOOD
        text = f"cut out of a photo of listing {best.other_listing_id}"
    elif best.shows is Shows.MORE:
        likelihood, text = SOURCE_LIKELIHOOD, f"listing {best.other_listing_id} shows a part of this photo"
    else:
        likelihood = _ALIKE[other_came_first]
        text = f"listing {best.other_listing_id} shows the same photo"
    return CueReading("photo_reuse", likelihood, photo=best.photo, text=text + how)


@dataclass(frozen=True, slots=True)
class Sameness:
    """Two photos are the same picture; the fields are those of `ReuseMatch`, seen from the first one."""

    agreement: float
    is_mirrored: bool
    crop_margin: float

    @property
    def from_the_other_side(self) -> Sameness:
        """The same, seen from the second photo."""
        return replace(self, crop_margin=-self.crop_margin)


def compare(one: Fingerprint, other: Fingerprint) -> Sameness | None:
    """Whether two photos are the same picture.

    Returns:
        How well they agree, seen from the first, or None if they are different pictures.
    """
    for is_mirrored in (False, True):
        placing = _placing(one.corners, other.mirrored if is_mirrored else other.corners)
        if placing is None:
            continue
        laid = _laid_over(one.thumb, _mirror(other.thumb) if is_mirrored else other.thumb, placing)
        agreement = _agreement(laid)
        if agreement is not None:
            return Sameness(agreement, is_mirrored, laid.share_of_one - laid.share_of_other)
    return None


def _match(one: ReuseEntry, other: ReuseEntry, same: Sameness) -> ReuseMatch:
    place = (one.photo, other.listing_id, other.seller_id, other.photo)
    return ReuseMatch(*place, same.is_mirrored, round(same.agreement, 4), round(same.crop_margin, 4))


def _grey_copy(pixels: NDArray[np.uint8], side_px: int) -> NDArray[np.uint8]:
    # Skipping pixels evenly is nearly free.
    step = max(1, max(pixels.shape[:2]) // (4 * side_px))
    grey = cv2.cvtColor(np.ascontiguousarray(pixels[::step, ::step]), cv2.COLOR_RGB2GRAY)
    return _resized(np.asarray(grey, np.uint8), side_px)


def _resized(grey: NDArray[np.uint8], side_px: int) -> NDArray[np.uint8]:
    while max(grey.shape) >= 2 * side_px and min(grey.shape) >= 16:  # nearly free; what is left is averaged
        even = grey[: grey.shape[0] // 2 * 2, : grey.shape[1] // 2 * 2]
        half_wh = (even.shape[1] // 2, even.shape[0] // 2)
        grey = np.asarray(cv2.resize(even, half_wh, interpolation=cv2.INTER_AREA), np.uint8)
    height, width = grey.shape
    scale = side_px / max(height, width)
    size_wh = (max(8, round(width * scale)), max(8, round(height * scale)))
    return np.asarray(cv2.resize(grey, size_wh, interpolation=cv2.INTER_AREA), np.uint8)


def _mirror(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.ascontiguousarray(grey[:, ::-1])


def _corners_both_ways(grey: NDArray[np.uint8]) -> tuple[Corners, Corners]:
    """Corners of a copy and of its mirror image, described as they stand, since reused photos are not turned.

    A corner is one in the mirror image, too, and need not be looked for again. With each corner's own direction, as the
    finder has it, 17 of the test's 126 copies are missed in place of 12.
    """
    finder = cv2.ORB.create(nfeatures=MAX_CORNERS, nlevels=6, edgeThreshold=15, fastThreshold=3)
    found = sorted(finder.detect(grey, None), key=lambda corner: -corner.response)
    for corner in found:
        corner.angle = 0.0
    right = grey.shape[1] - 1
    mirrored = [cv2.KeyPoint(right - c.pt[0], c.pt[1], c.size, c.angle, c.response, c.octave) for c in found]
    return _described(finder, grey, found), _described(finder, _mirror(grey), mirrored)


def _described(finder: cv2.ORB, grey: NDArray[np.uint8], found: Sequence[cv2.KeyPoint]) -> Corners:
    kept, codes = finder.compute(grey, found)
    if codes is None:
        return Corners(np.zeros((0, 2), np.float32), np.zeros((0, CODE_BYTES), np.uint8))
    return Corners(np.array([corner.pt for corner in kept], np.float32), np.asarray(codes, np.uint8))


def _candidates(entries: Sequence[ReuseEntry]) -> Iterator[tuple[int, int]]:
    """Pairs of photos of different sellers that share enough codes, the best few of each photo."""
    votes = _votes(entries)
    taken: dict[int, int] = defaultdict(int)
    for first, second in votes:
        if min(taken[first], taken[second]) < CANDIDATES_PER_PHOTO:
            taken[first] += 1
            taken[second] += 1
            yield first, second


def _votes(entries: Sequence[ReuseEntry]) -> list[tuple[int, int]]:
    """Pairs of places in `entries` with `MIN_VOTES` shared codes or more, most votes first."""
    plain, plain_of = _voting_codes([entry.fingerprint.corners for entry in entries])
    mirrored, mirrored_of = _voting_codes([entry.fingerprint.mirrored for entry in entries])
    sellers = np.unique([entry.seller_id for entry in entries], return_inverse=True)[1] if entries else np.zeros(0, int)
    n = len(entries)
    pair_votes: dict[bool, list[NDArray[np.int64]]] = {False: [], True: []}
    rng = np.random.default_rng(20_240_501)  # which bits make a table is arbitrary, but must stay the same
    for _ in range(TABLES):
        bits = rng.choice(256, TABLE_BITS, replace=False)
        keys = _keys(plain, bits)
        for is_mirrored, asked, asked_of in ((False, keys, plain_of), (True, _keys(mirrored, bits), mirrored_of)):
            first, second = _sharing(keys, plain_of, asked, asked_of)
            is_pair = (first < second) & (sellers[first] != sellers[second])
            pair_votes[is_mirrored].append(first[is_pair] * n + second[is_pair])
    best: dict[int, int] = {}
    for codes in pair_votes.values():
        pairs, counts = np.unique(np.concatenate(codes), return_counts=True)
        for pair, count in zip(pairs[counts >= MIN_VOTES].tolist(), counts[counts >= MIN_VOTES].tolist(), strict=True):
            best[pair] = max(best.get(pair, 0), count)
    return [divmod(pair, n) for pair in sorted(best, key=lambda pair: (-best[pair], pair))]


def _voting_codes(corners: Sequence[Corners]) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """The codes that look for candidates as bits (n, 256), and the place of the photo that each belongs to."""
    codes = [one.codes[:CORNERS_VOTING] for one in corners]
    owners = np.repeat(np.arange(len(codes)), [len(one) for one in codes])
    stacked = np.concatenate([np.zeros((0, 32), np.uint8), *codes])
    return stacked, owners.astype(np.int64)


def _keys(codes: NDArray[np.uint8], bits: NDArray[np.int64]) -> NDArray[np.int64]:
    """Some bits of each code (n, 32) as one whole number."""
    keys = np.zeros(len(codes), np.int64)
    for bit in bits:
        keys = keys << 1 | (codes[:, bit // 8] >> (7 - bit % 8) & 1)
    return keys


def _sharing(
    keys: NDArray[np.int64], owners: NDArray[np.int64], asked: NDArray[np.int64], asked_of: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For every asked key, the owners of equal keys: two columns, owner found and owner asked for."""
    order = np.argsort(keys, kind="stable")
    in_order = keys[order]
    start = np.searchsorted(in_order, asked, "left")
    count = np.searchsorted(in_order, asked, "right") - start
    count[count > BUCKET_LIMIT] = 0
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return owners[order[np.repeat(start, count) + within]], np.repeat(asked_of, count)


def _placing(one: Corners, other: Corners) -> NDArray[np.float64] | None:
    """The shift and scale (2, 3) that lays `other` over `one`, in pixels of the corner copy."""
    if min(len(one.codes), len(other.codes)) < MIN_CORNERS_AGREEING:
        return None
    theirs, ours = _nearest_both_ways(other.codes, one.codes)
    if len(theirs) < MIN_CORNERS_AGREEING:
        return None
    matrix, agreeing = cv2.estimateAffinePartial2D(
        other.points[theirs],
        one.points[ours],
        ransacReprojThreshold=4.0,
        maxIters=500,
    )
    if matrix is None or int(agreeing.sum()) < MIN_CORNERS_AGREEING:
        return None
    placing = np.asarray(matrix, np.float64)
    is_likely = SCALE_RANGE[0] <= _scale(placing) <= SCALE_RANGE[1]
    return placing if is_likely and abs(math.atan2(placing[1, 0], placing[0, 0])) <= MAX_TURN_RAD else None


def _nearest_both_ways(some: NDArray[np.uint8], others: NDArray[np.uint8]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of codes (n, 32) and (m, 32) of which each is the other's nearest, and near; as places in both.

    NumPy counts bits twice as fast as OpenCV's matcher.
    """
    some_words, other_words = some.view(np.uint64), others.view(np.uint64)
    distance = np.zeros((len(some), len(others)), np.uint16)
    for word in range(some_words.shape[1]):
        distance += np.bitwise_count(some_words[:, None, word] ^ other_words[None, :, word])
    nearest = distance.argmin(axis=1)
    at = np.arange(len(some))
    is_pair = (distance.argmin(axis=0)[nearest] == at) & (distance[at, nearest] < MAX_CODE_DISTANCE)
    return np.nonzero(is_pair)[0], nearest[is_pair]


def _scale(placing: NDArray[np.float64]) -> float:
    return math.hypot(placing[0, 0], placing[1, 0])


class Laid(NamedTuple):
    """Two copies in the frame of the first, where both are there, and how much of each that is."""

    one: NDArray[np.float32]
    other: NDArray[np.float32]
    is_shared: NDArray[np.bool_]
    share_of_one: float
    share_of_other: float
    correlation: float  # where both are there


def _agreement(laid: Laid) -> float | None:
    """The correlation of the two copies once laid over each other, or None if the pictures differ."""
    if max(laid.share_of_one, laid.share_of_other) < MIN_OVERLAP:
        return None
    contrast = float(laid.one[laid.is_shared].std())
    residue = contrast * math.sqrt(max(0.0, 1 - laid.correlation**2))
    if laid.correlation <= 0 or residue > max(MAX_RESIDUE, MAX_RESIDUE_OF_CONTRAST * contrast):
        return None
    cells = _cell_agreements(laid)
    agrees = len(cells) >= MIN_CELLS and float(np.percentile(cells, 20)) >= MIN_WEAK_AGREEMENT
    return laid.correlation if agrees else None


def _smooth(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), 0.8), np.uint8)


def _laid_over(one: NDArray[np.uint8], other: NDArray[np.uint8], placing: NDArray[np.float64]) -> Laid:
    """Lay the second copy over the first, or the first over the second where that shows more at its size.

    Shrinking loses nothing that the other copy has; enlarging would compare detail with blur.
    """
    if _scale(placing) > 1:
        turned = _laid_over(other, one, cv2.invertAffineTransform(placing).astype(np.float64))
        return turned._replace(share_of_one=turned.share_of_other, share_of_other=turned.share_of_one)
    ground, over = _smooth(one), _smooth(other)
    sized = placing.copy()
    sized[:, 2] *= THUMB_SIDE_PX / CORNER_SIDE_PX
    back = cv2.invertAffineTransform(sized).astype(np.float32)
    as_placed = _laid(ground, over, back)
    if as_placed.correlation < MIN_BEFORE_SETTLING:
        return as_placed
    try:
        stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 1e-4)
        back = np.asarray(cv2.findTransformECC(ground, over, back, cv2.MOTION_AFFINE, stop)[1], np.float32)
    except cv2.error:
        return as_placed  # does not settle
    settled = _laid(ground, over, back)  # where there is little to hold on to it slides away
    return settled if settled.correlation > as_placed.correlation else as_placed


def _laid(ground: NDArray[np.uint8], over: NDArray[np.uint8], back: NDArray[np.float32]) -> Laid:
    """The second copy laid over the first; `back` (2, 3) leads from the first's pixels to the second's."""
    size_wh = (ground.shape[1], ground.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    one = ground.astype(np.float32)
    other = np.asarray(cv2.warpAffine(over, back, size_wh, flags=flags), np.float32)
    inside = np.asarray(cv2.warpAffine(np.full(over.shape, 255, np.uint8), back, size_wh, flags=flags) == 255, np.bool_)
    shared_of_other = inside.sum() * abs(float(np.linalg.det(back[:, :2])))
    return Laid(
        one=one,
        other=other,
        is_shared=inside,
        share_of_one=float(inside.mean()),
        share_of_other=float(shared_of_other / over.size),
        correlation=_correlation(one[inside], other[inside]),
    )


def _correlation(one: NDArray[np.float32], other: NDArray[np.float32]) -> float:
    """Of two rows of grey values; 0 where there are none or one row is all alike."""
    if not len(one) or min(float(one.std()), float(other.std())) == 0:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


def _cell_agreements(laid: Laid) -> list[float]:
    """Correlation of the grey values in each cell of the shared region that has any texture."""
    one, other, is_shared, *_ = laid
    rows, columns = np.nonzero(is_shared)
    row_cuts = np.linspace(rows.min(), rows.max() + 1, CELLS_A_SIDE + 1).astype(int)
    column_cuts = np.linspace(columns.min(), columns.max() + 1, CELLS_A_SIDE + 1).astype(int)
    agreements = []
    for top, bottom in pairwise(row_cuts):
        for left, right in pairwise(column_cuts):
            here = is_shared[top:bottom, left:right]
            a, b = one[top:bottom, left:right][here], other[top:bottom, left:right][here]
            if here.any() and here.mean() > 0.5 and max(a.std(), b.std()) > MIN_TEXTURE:
                agreements.append(float(np.corrcoef(a, b)[0, 1]) if min(a.std(), b.std()) > 0.5 else 0.0)
    return agreements
