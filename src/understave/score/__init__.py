"""Files in, one `Score` out: ids, exact time, writing back."""

from understave.score.model import Direction, Measure, Note, Part, Score

__all__ = ["Direction", "Measure", "Note", "Part", "Score"]
