"""Lets ``python -m understave`` run the command line."""

import sys

from understave.cli import main

sys.exit(main())
