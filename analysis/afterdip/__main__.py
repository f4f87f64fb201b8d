"""`python -m afterdip` is the `afterdip` command."""

import sys

from afterdip.cli import main

if __name__ == "__main__":
    sys.exit(main())
