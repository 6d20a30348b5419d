"""Run the command line with ``python -m eo_risk``."""

import sys

from eo_risk.cli import main

if __name__ == "__main__":
    sys.exit(main())
