"""What a run says of itself: a report, figures for Prometheus, and what it would do."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import cv2
import pytest
from prometheus_client.parser import text_string_to_metric_families
from scipy.stats import fisher_exact

from pipeline.fitting_night import CueCounts, FittingNight, write_fitting_night
from pipeline.fitting_night import Night as FitNight
from pipeline.records.database import Store
from pipeline.records.patience import PatientStore
from pipeline.running import NightOutcome, Plan, drift_of, plan_night, write_metrics, write_report
from pipeline.scan import Wanted
from tests.scan.nights import NOW, SHEETS, a_night, here_pool, scan


def test_the_report_and_the_figures_tell_what_came_in_and_what_was_done_with_it(tmp_path):
    listings = a_night(tmp_path, listings=3, L1_0="bad")
    with (tmp_path / "listings.jsonl").open("a") as file:
        file.write('{"broken\n')
    done = scan(listings, tmp_path / "out", f"sqlite:///{tmp_path / 's.db'}")
    ended = NOW + timedelta(minutes=2)
    write_report(tmp_path / "out", NightOutcome(done, None), NOW, ended)
    assert cv2.imread(str(tmp_path / "out/report.png")).std() > 0
    report = json.loads((tmp_path / "out/report.json").read_text())
    told = {name: report[name] for name in ("rows", "listings", "photos", "looked_at", "problems", "refused")}
    assert told == {"rows": 4, "listings": 3, "photos": 6, "looked_at": 6, "problems": 2, "refused": 1}
    assert set(report["seconds"]) == {"reading", "looking", "reuse", "counting", "weighing"}
    assert (report["began"], report["ended"]) == ("2026-03-02T03:00:00+00:00", "2026-03-02T03:02:00+00:00")

    write_metrics(tmp_path / "x.prom", NightOutcome(done, None), ended)
    text = (tmp_path / "x.prom").read_text()  # read as Prometheus' own client reads the exposition format
    figures = {one.name: one.samples for one in text_string_to_metric_families(text)}
    assert figures["denim_triage_listings"][0].value == 3
    assert figures["denim_triage_ended_timestamp_seconds"][0].value == ended.timestamp()
    assert {sample.labels["stage"] for sample in figures["denim_triage_stage_seconds"]} == set(report["seconds"])


def a_fit(models: Path, ratio: float, stamp: CueCounts) -> None:
    """What a fit kept of 300 listings with one ratio."""
    models.mkdir(exist_ok=True)
    night = FitNight(log10_lrs=(ratio,) * 300, cues={"rivet_stamp": stamp})
    fitted = FittingNight(command="fit", model="m", rules="r", prior_counterfeit=0.2, night=night)
    write_fitting_night(models, fitted)


def test_the_report_says_which_signs_are_read_otherwise_than_at_fitting(tmp_path):
    listings = a_night(tmp_path, listings=30)  # every third listing's rivets are blank
    done = scan(listings, tmp_path / "out", f"sqlite:///{tmp_path / 's.db'}")
    a_fit(tmp_path / "models", -3.0, CueCounts(seen=300, departing=3))
    drift = drift_of(tmp_path / "out", tmp_path / "models")
    report = write_report(tmp_path / "out", NightOutcome(done, None), NOW, NOW, drift)["drift"]
    assert (report["distance"], report["is_marked"], report["is_same_model"]) == (1.0, True, True)
    stamp = next(one for one in report["signs"] if (one["cue"], one["asked"]) == ("rivet_stamp", "departing"))
    assert (stamp["tonight"], stamp["fitting"]) == ([10, 30], [3, 300])
    # scipy's own Fisher's exact test
    assert stamp["p"] == pytest.approx(fisher_exact([[10, 20], [3, 297]]).pvalue, rel=1e-3)
    assert any("rivet is blank” more often, 10 of 30 (33%) against 1.0%" in told for told in report["marked"])
    write_metrics(tmp_path / "x.prom", NightOutcome(done, None), NOW, drift)
    figures = {one.name: one.samples for one in text_string_to_metric_families((tmp_path / "x.prom").read_text())}
    assert figures["denim_triage_drifted_signs"][0].value == len(report["marked"])
    assert figures["denim_triage_drift_distance"][0].value == 1.0


def test_without_what_a_fit_kept_nothing_is_compared(tmp_path):
    scan(a_night(tmp_path, listings=2), tmp_path / "out", f"sqlite:///{tmp_path / 's.db'}")
    assert drift_of(tmp_path / "out", tmp_path) is None


def a_plan(listings: Path, root: Path, records: PatientStore | None) -> Plan:
    pool = here_pool(root)
    return plan_night(
        listings, root, Wanted(), SHEETS, pool.models_dir, records, root / "out", lambda done, total: None
    )


def test_a_plan_says_what_would_be_looked_at_and_how_long_that_took_before(tmp_path):
    listings, url = a_night(tmp_path, listings=4), f"sqlite:///{tmp_path / 's.db'}"
    assert a_plan(listings, tmp_path, None) == Plan(4, 8, 8, None)
    scan(listings, tmp_path / "out", url, limit=1)
    (tmp_path / "out/report.json").write_text('{"photos_per_second": 2.0}')
    store = Store(url)
    assert a_plan(listings, tmp_path, PatientStore(store)) == Plan(4, 8, 6, 3.0)
    store.close()
