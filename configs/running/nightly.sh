#!/bin/sh
# One night: the export into the moderators' queue. Run by denim-triage.timer or cron; it is safe to run again.
# DENIM_LISTINGS  the export, with the photos beside it
# DENIM_RUNS      a folder; each day gets one of its own in it
# DENIM_STORE     sqlite:///FILE, or postgresql://USER@HOST/NAME (the password in ~/.pgpass, not here)
# DENIM_METRICS   a .prom file in the folder that Prometheus' node exporter reads
set -eu
: "${DENIM_LISTINGS:?name the export}" "${DENIM_RUNS:?name a folder for the runs}" "${DENIM_STORE:?name the store}"
set -- scan "$DENIM_LISTINGS" --out "$DENIM_RUNS/$(date -u +%F)" --store "$DENIM_STORE" \
  --photo-index "$DENIM_RUNS/photo-index" --log json ${DENIM_METRICS:+--metrics "$DENIM_METRICS"}
exec denim-triage "$@"
