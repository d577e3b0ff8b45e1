"""What a language lacks, as a command: ``python -m understave.wording.lacking CODE``."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from understave.errors import UnderstaveError
from understave.wording.language_files import folders, lacking


def main(arguments: Sequence[str]) -> int:
    """Print what the named languages lack, all if none is named; return 1 if any lacks something."""
    lacks = 0
    for language in arguments or folders():
        try:
            missing = lacking(language)
        except UnderstaveError as error:
            print(error, file=sys.stderr)
            return 2
        lacks += len(missing)
        print(f"{language}: {f'{len(missing)} lacking' if missing else 'whole'}")
        for line in missing:
            print(f"  {line}")
    return 1 if lacks else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
