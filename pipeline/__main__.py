"""`python -m pipeline` is `denim-triage`."""

import sys

from pipeline.cli import main

if __name__ == "__main__":
    sys.exit(main())
