"""The picture of a run's report: what came in, how long it took, and how the night lies beside the fitting listings."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from pipeline.chart_colours import BLUE, GREY, INK, ORANGE, PALE
from pipeline.cues import CUES
from pipeline.domain import CAUTION
from pipeline.drift import Asked, Difference, Drift
from pipeline.scan import Counts

_DPI = 130
_SIGNS_SHOWN = 9
_STAGES = {
    "reading": "reading the listings",
    "looking": "looking at photos",
    "reuse": "looking for reused photos",
    "counting": "counting the night's signs",
    "weighing": "weighing and writing",
    "taking in": "into the moderators' queue",
}


def draw_report(path: Path, name: str, counts: Counts, ended: datetime, drift: Drift | None) -> None:
    """Draw the picture.

    Args:
        path: of the PNG; replaced as a whole.
        name: of the run.
        counts: what came in and what was done with it.
        ended: when the scan ended.
        drift: the night beside the fitting listings; None where there was nothing to compare.

    Raises:
        OSError: if the file can't be written.
    """
    layout = ConstrainedLayoutEngine(h_pad=0.1, w_pad=0.12, hspace=0.14, wspace=0.05)
    figure = Figure(figsize=(11.5, 8), layout=layout)
    FigureCanvasAgg(figure)
    figure.suptitle(
        f"Run {name}: {counts.listings:,} listings ranked, ended {ended:%d %b %Y, %H:%M} UTC\n",
        x=0.012, ha="left", fontsize=14, color=INK,
    )  # fmt: skip
    grid = figure.add_gridspec(2, 2, height_ratios=(1, 1.35), width_ratios=(1, 1.05))
    _draw_coming_in(figure.add_subplot(grid[0, 0]), counts)
    _draw_stages(figure.add_subplot(grid[0, 1]), counts)
    if drift is None:
        _draw_nothing(figure.add_subplot(grid[1, :]))
    else:
        _draw_chances(figure.add_subplot(grid[1, 0]), drift)
        _draw_signs(figure.add_subplot(grid[1, 1]), drift)
    figure.supxlabel(CAUTION, fontsize=7, color=GREY)
    draft = path.with_name(f".{path.name}")
    figure.savefig(draft, dpi=_DPI, format="png")
    draft.replace(path)


def _titled(axes: Axes, title: str, below: str = "") -> None:
    lines = below.count("\n") + 1
    axes.set_title(title, loc="left", fontsize=11, color=INK, pad=10 + 11 * lines).set_in_layout(False)
    told = axes.text(0, 1.03, below, transform=axes.transAxes, fontsize=8.5, color="#5B646D", va="bottom")
    told.set_in_layout(False)  # a long line must not narrow what it stands over
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=INK, labelsize=8.5, length=0)


def _draw_coming_in(axes: Axes, counts: Counts) -> None:
    """Rows and photos, each as one bar of what became of them."""
    passed_over = max(0, counts.rows - counts.listings - counts.refused)
    known = max(0, counts.not_to_do - counts.unreadable)
    rows = (
        (counts.listings, BLUE, "ranked"),
        (passed_over, PALE, "not asked for"),
        (counts.refused, ORANGE, "refused"),
    )
    photos = (
        (counts.looked_at, BLUE, "looked at"),
        (known, PALE, "known before, or twice"),
        (counts.unreadable, ORANGE, "can't be read"),
    )
    bars = (("rows", rows), ("photos", photos))
    for place, (_, parts) in enumerate(bars):
        whole, left = max(1, sum(count for count, *_ in parts)), 0.0
        for count, colour, _ in parts:
            axes.barh(place, count / whole, left=left, height=0.42, color=colour)
            left += count / whole
        told = ",  ".join(f"{count:,} {word}" for count, _, word in parts if count)
        axes.text(0, place - 0.3, told or "none", fontsize=8.5, color=INK, va="bottom").set_in_layout(False)
    axes.set_yticks(range(len(bars)), [name for name, _ in bars])
    axes.set_ylim(len(bars) - 0.5, -0.75)
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    aside = f", {counts.set_aside:,} photos set aside" if counts.set_aside else ""
    told = f"{counts.reused:,} listings show a photo of another seller; {counts.problems:,} problems listed{aside}"
    _titled(axes, "What came in", told)


def _draw_stages(axes: Axes, counts: Counts) -> None:
    """Wall time by stage."""
    stages = list(counts.seconds.items())
    most = max([seconds for _, seconds in stages], default=1) or 1
    for place, (_, seconds) in enumerate(stages):
        axes.barh(place, seconds, height=0.55, color=BLUE)
        axes.text(seconds + most / 60, place, _spoken(seconds), va="center", fontsize=8.5, color=INK)
    axes.set_yticks(range(len(stages)), [_STAGES.get(stage, stage) for stage, _ in stages])
    axes.invert_yaxis()
    axes.set_xlim(0, 1.18 * most)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    looking = counts.seconds.get("looking", 0.0)
    pace = f", {counts.looked_at / looking:.1f} photos a second while looking" if counts.looked_at and looking else ""
    _titled(axes, "Where the time went", f"{_spoken(sum(counts.seconds.values()))} in all{pace}")


def _spoken(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.1f} min" if seconds < 3600 else f"{seconds / 3600:.1f} h"


def _draw_chances(axes: Axes, drift: Drift) -> None:
    """Shares of listings by the tenth of their chance, tonight and at fitting."""
    for shift, shares, colour, label in (
        (-0.2, drift.tonight, BLUE, "tonight"),
        (0.2, drift.fitting, GREY, "fitting listings"),
    ):
        places = [tenth + shift for tenth in range(10)]
        axes.bar(places, [100 * share for share in shares], width=0.38, color=colour, label=label)
        for place, share in zip(places, shares, strict=True):
            if share:
                told = f"{100 * share:.0f}" if share >= 0.01 else "<1"
                axes.text(place, 100 * share, told, ha="center", va="bottom", fontsize=7, color=INK)
    axes.set_xticks(range(10), [f".{tenth}" for tenth in range(10)])
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("chance of not genuine, at the fit's prior", fontsize=8.5, color=INK)
    axes.legend(frameon=False, fontsize=8.5, loc="upper right")
    how = (
        "otherwise than at fitting"
        if drift.is_marked
        else f"as at fitting, as far as {drift.listings:,} listings can tell"
    )
    by_chance = "in fewer than one night in a thousand" if drift.is_marked else f"with a probability of {drift.p:.2g}"
    _titled(
        axes,
        f"The chances lie {how}",
        f"% of listings; largest distance {drift.distance:.2f},\nby chance alone {by_chance}",
    )


def _draw_signs(axes: Axes, drift: Drift) -> None:
    """The shares that chance explains least."""
    shown = drift.differences[:_SIGNS_SHOWN]
    for place, one in enumerate(shown):
        colour = ORANGE if one.is_marked else BLUE
        for share, tint, height in ((one.fitting, GREY, 0.17), (one.tonight, colour, -0.17)):
            if share.share is not None and share.low is not None and share.high is not None:
                axes.plot([100 * share.low, 100 * share.high], [place + height] * 2, color=tint, linewidth=2)
                axes.plot(100 * share.share, place + height, "o", color=tint, markersize=4.5)
    axes.set_yticks(range(len(shown)), [_asked(one) for one in shown])
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlim(-2, 102)
    axes.set_xlabel("% of listings, 95% intervals: tonight above, fitting listings in grey", fontsize=8.5, color=INK)
    axes.grid(axis="x", color=PALE, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines["left"].set_visible(False)
    marked = len(drift.marked)
    title = f"{_counted(marked)} otherwise than at fitting" if marked else "No sign lies otherwise than at fitting"
    below = f"{len(shown)} of {len(drift.differences)} shares, rarest by chance first"
    below += "; orange: hardly chance" if marked else ""
    if not (drift.is_same_model and drift.is_same_rules):
        below += "\nnot judged alike: other networks or rules than at fitting"
    _titled(axes, title, below)


def _counted(marked: int) -> str:
    return "One share lies" if marked == 1 else f"{marked} shares lie"


def _asked(one: Difference) -> str:
    topic = CUES[one.cue].topic if one.cue in CUES else one.cue
    return f"{topic}: {'speaks against' if one.asked is Asked.DEPARTING else 'can be judged'}"


def _draw_nothing(axes: Axes) -> None:
    axes.set_axis_off()
    why = "Nothing to compare this night with: no listing, or no fitting_night.json beside the networks."
    axes.text(0, 0.9, why, fontsize=10, color=INK)
