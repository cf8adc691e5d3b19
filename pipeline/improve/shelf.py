"""The shelf of bundles: every training and its bundle in mlflow, under plain names such as `in-use`.

By default the shelf is a folder with a SQLite file; any tracking server can take its place by its URL. Names are
mlflow's aliases: moving one is how a bundle comes into use, and how the one before comes back.
"""

from __future__ import annotations

import logging
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import mlflow
from mlflow.entities.model_registry import ModelVersion
from mlflow.exceptions import MlflowException

from pipeline.intake import NothingToDo
from pipeline.model_files import models_id

BUNDLES = "denim-triage"  # the registered model, and the experiment
IN_USE, CANDIDATE, BEFORE = "in-use", "candidate", "before"
_ARTIFACT = "bundle"


@dataclass(frozen=True, slots=True)
class OnShelf:
    """A bundle on the shelf: its number, its folder on this machine, the run that made it."""

    number: int
    folder: Path
    run_id: str


class Shelf:
    """Bundles by number and name.

    Args:
        where: a folder, which is made, or the URL of a tracking server or database.
        cache: where bundles of a remote shelf are fetched to; the folder itself for a local one.
    """

    def __init__(self, where: str, cache: Path) -> None:
        """Open it; a local one is made at first."""
        is_url = "://" in where
        self.url = where if is_url else f"sqlite:///{Path(where).resolve() / 'shelf.db'}"
        self._cache = cache
        self._artifacts = None if is_url else (Path(where).resolve() / "artifacts").as_uri()
        if not is_url:
            Path(where).mkdir(parents=True, exist_ok=True)
        logging.getLogger("mlflow").setLevel(logging.WARNING)  # it tells of every table that it makes
        logging.getLogger("alembic").setLevel(logging.WARNING)
        os.environ.setdefault("MLFLOW_ENABLE_ARTIFACTS_PROGRESS_BAR", "false")  # a bar for every file of a bundle
        mlflow.set_tracking_uri(self.url)
        self.client = mlflow.MlflowClient(self.url, self.url)
        self.experiment = self._experiment()

    def _experiment(self) -> str:
        known = self.client.get_experiment_by_name(BUNDLES)
        if known is not None:
            return str(known.experiment_id)
        return str(self.client.create_experiment(BUNDLES, artifact_location=self._artifacts))

    def put(self, bundle: Path, run_id: str, name: str) -> OnShelf:
        """Keep a bundle, made in a run, and give it a name."""
        self.client.log_artifacts(run_id, str(bundle), _ARTIFACT)
        try:
            self.client.create_registered_model(BUNDLES)
        except MlflowException as err:
            if err.error_code != "RESOURCE_ALREADY_EXISTS":
                raise
        source = f"{self.client.get_run(run_id).info.artifact_uri}/{_ARTIFACT}"
        made = self.client.create_model_version(BUNDLES, source, run_id, tags={"models_id": models_id(bundle)})
        self.name(int(made.version), name)
        return self._fetched(made)

    def start_with(self, models: Path) -> OnShelf:
        """Put what was in use before there was a shelf onto it, as the one in use."""
        run = self.client.create_run(self.experiment, run_name="as shipped")
        self.client.set_terminated(run.info.run_id)
        return self.put(models, run.info.run_id, IN_USE)

    def name(self, number: int, name: str) -> None:
        """Give a bundle a name; whichever had it loses it."""
        self.client.set_registered_model_alias(BUNDLES, name, str(number))

    def find(self, name: str) -> OnShelf:
        """The bundle of a name or number, fetched to this machine if it is not here.

        Raises:
            NothingToDo: if there is none.
        """
        return self._fetched(self._version(name))

    def has(self, name: str) -> bool:
        """Whether a name is given."""
        try:
            self._version(name)
        except NothingToDo:
            return False
        return True

    def _version(self, name: str) -> ModelVersion:
        try:
            if name.isdecimal():
                return self.client.get_model_version(BUNDLES, name)
            return self.client.get_model_version_by_alias(BUNDLES, name)
        except MlflowException as err:
            raise NothingToDo(
                f"there is no {name!r} on the shelf {self.url}; denim-triage relearn makes a candidate"
            ) from err

    def _fetched(self, version: ModelVersion) -> OnShelf:
        """A remote bundle is fetched once, as it never changes; its run names it, as numbers are each server's own."""
        source, run_id = str(version.source), str(version.run_id)
        if source.startswith("file:"):
            folder = Path(mlflow.artifacts.download_artifacts(artifact_uri=source, tracking_uri=self.url))
        else:
            folder = self._cache / "fetched" / run_id
            if not folder.exists():
                folder.parent.mkdir(parents=True, exist_ok=True)
                with tempfile.TemporaryDirectory(dir=folder.parent) as draft:
                    mlflow.artifacts.download_artifacts(artifact_uri=source, dst_path=draft, tracking_uri=self.url)
                    (Path(draft) / _ARTIFACT).replace(folder)
        return OnShelf(int(version.version), folder, run_id)
