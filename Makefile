# One word per task. Each sets up what it needs: only Python 3.11 and make have to be there.
PYTHON := $(firstword $(shell command -v python3.11) $(shell command -v python3) python3)
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check

.PHONY: demo review test check lint setup bench
.DEFAULT_GOAL := demo

demo: $(VENV)/.base-done ## invents a night of listings, scans it, shows the top of the queue
	$(BIN)/python -m pipeline demo

review: $(VENV)/.review-done ## the moderator's page over what the demo scanned
	test -f out/demo/queue.jsonl || $(MAKE) demo
	$(BIN)/python -m pipeline review

test: $(VENV)/.dev-done ## all tests, the quick ones first
	$(BIN)/python -m pytest -q -n 2 -m "not slow"
	$(BIN)/python -m pytest -q -m slow

check: lint ## what to run before a commit
	$(BIN)/python -m pytest -q -n 2 -m "not slow"

lint: $(VENV)/.dev-done
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/.base-done out/bench/listings.jsonl ## how many photos a second a scan looks at, and what each stage costs
	$(BIN)/python -m pipeline.evaluate.speed out/bench

out/bench/listings.jsonl: | $(VENV)/.base-done
	$(BIN)/python -m pipeline synth out/bench --listings 60 --seed 4711

setup: $(VENV)/.dev-done ## everything for working on it

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or later is needed" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.base-done: requirements/base.txt pyproject.toml | $(BIN)/python
	$(PIP) -r requirements/base.txt
	$(PIP) --no-deps --editable .
	touch $@

$(VENV)/.review-done: requirements/review.txt $(VENV)/.base-done
	$(PIP) -r requirements/review.txt
	touch $@

$(VENV)/.dev-done: requirements/dev.txt requirements/review.txt requirements/far.txt requirements/ray.txt $(VENV)/.base-done
	$(PIP) -r requirements/dev.txt
	touch $@
