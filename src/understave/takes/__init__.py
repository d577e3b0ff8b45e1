"""What the teacher plays, tied to the score.

`read_take(path)` reads a recording, `tie(score, recording)` says which written note each strike is: a `Take`.
"""

from understave.takes.recorded import read_take
from understave.takes.take import Match, Ornament, Recording, Run, Take, WrongNote
from understave.takes.tying import tie

__all__ = ["Match", "Ornament", "Recording", "Run", "Take", "WrongNote", "read_take", "tie"]
