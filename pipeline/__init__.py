"""denim-triage: puts the listings that deserve a person's time on top, with reasons."""

import sys

__version__ = "0.1.1"

# OpenVINO tells its maker of every start, without asking, if it can load this package. What runs here is nobody's
# business; and a scan must not wait for a network.
sys.modules.setdefault("openvino_telemetry", None)  # type: ignore[arg-type]
