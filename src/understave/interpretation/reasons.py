"""The kinds of a plan's reasons: events that no finder finds, each with the module that gives it."""

from __future__ import annotations

from typing import Any

from understave.findings.kinds import Kind
from understave.interpretation.dynamics import DYNAMICS
from understave.interpretation.pedal_reasons import PEDALLING
from understave.interpretation.tension import TENSION
from understave.interpretation.timing import TIMING
from understave.interpretation.voicing import VOICING

REASONS: tuple[Kind[Any], ...] = (TENSION, DYNAMICS, VOICING, PEDALLING, TIMING)
