"""How far playing is tied to its score: notes on open match files, beats on recorded performances.

``python -m benchmarks.takes`` prints note F1 on the 22 pianists of three excerpts (Vienna 4x22, see
`benchmarks.pianists`), as they played and with slips put in by a seeded generator; ``--beats`` the share of
marked
beats within 50 ms on `performance` and `performance-earlier` (ASAP), for measuring only; ``--others`` what
becomes
of other pieces and other keys; ``--speed`` time and memory. ``--peer PYTHON`` runs a published aligner for
symbolic music (the package `parangonar`) by the interpreter of an environment that has it, on the same cases.

The seeds of `--seeds tuning` (0 to 2) served to fit the costs; all figures that are claimed use others
(from 100 on).
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import time
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from benchmarks.performances import Performed, pieces, read_piece
from benchmarks.pianists import excerpts, read_excerpt
from understave.acoustics.performance import Performance, Strike
from understave.errors import UnderstaveError
from understave.score.model import Score
from understave.takes import Recording, Take, tie

WITHIN = 0.05
"""Seconds within which a beat counts as found."""
FIRST_SEED = 100


@dataclass(frozen=True, slots=True)
class Played:
    """A strike with its true note (id, "" for none), its written moment, and whether it adorns a note."""

    strike: Strike
    note: str
    moment: float
    adorns: bool = False


Case = Callable[[Score, list[Played], random.Random], list[Played]]


def untouched(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
    """As it was played."""
    return played


def slips(wrong: float, left_out: float, extra: float = 0.0) -> Case:
    """Shares of notes whose neighbour key is struck, that are not struck, and that come on top."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        found = []
        for one in played:
            dice = chance.random()
            s = one.strike
            if dice < left_out:
                continue
            if dice < left_out + wrong:
                key = s.midi + chance.choice((-2, -1, 1, 2))
                found.append(Played(replace(s, midi=key), "", one.moment))
                continue
            found.append(one)
            if chance.random() < extra:
                key = s.midi + chance.choice((-2, -1, 1, 2))
                start = s.start + chance.uniform(-0.05, 0.2)
                found.append(Played(Strike(key, max(0.0, start), start + 0.1, s.velocity), "", one.moment))
        return found

    return case


def restarts(count: int) -> Case:
    """So many stops, each a pause of 0.2 to 2 s, then on again from a bar begun up to four bars before."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        found = list(played)
        for _ in range(count):
            k = chance.randrange(len(found) // 10, len(found) - 2)
            bar = max(0, score.measure_at(Fraction(found[k].moment).limit_denominator(48)).index)
            back = max(0, bar - chance.randrange(0, 5))
            begin = float(score.measures[back].start)
            # The latest playing of that bar before the stop.
            again = next((j for j in range(k, -1, -1) if found[j].moment < begin - 1e-6), -1) + 1
            shift = found[k].strike.start + chance.uniform(0.2, 2.0) - found[again].strike.start
            found = found[: k + 1] + [_later(one, shift) for one in found[again:]]
        return found

    return case


def skipped(count: int) -> Case:
    """So many times one to three bars left out, without a pause."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        found = list(played)
        for _ in range(count):
            bars = score.measures
            a = chance.randrange(2, max(3, len(bars) - 4))
            b = min(len(bars) - 1, a + chance.randrange(1, 4))
            low, high = float(bars[a].start), float(bars[b].start)
            first = next((j for j, o in enumerate(found) if o.moment >= low - 1e-6), None)
            after = next(
                (j for j, o in enumerate(found) if j > (first or 0) and o.moment >= high - 1e-6), None
            )
            if first is None or after is None or first < 3:
                continue
            shift = found[first].strike.start - found[after].strike.start
            found = found[:first] + [_later(one, shift) for one in found[after:]]
        return found

    return case


def trills(share: float) -> Case:
    """A share of long single notes trilled with the key above, though nothing is printed."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        found = []
        for one in played:
            found.append(one)
            s = one.strike
            if one.note and s.end - s.start > 0.5 and chance.random() < share:
                each = chance.uniform(0.07, 0.12)
                count = min(20, int((s.end - s.start) / each))
                found[-1] = replace(one, strike=replace(s, end=s.start + each))
                step = chance.choice((1, 2))
                for k in range(1, count):
                    key = s.midi + (step if k % 2 else 0)
                    start = s.start + k * each
                    found.append(Played(Strike(key, start, start + each, s.velocity), "", one.moment, True))
        return found

    return case


def excerpt(bars: int) -> Case:
    """Some bars only, beginning anywhere."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        a = chance.randrange(0, max(1, len(score.measures) - bars))
        low, high = score.measures[a].start, score.measures[min(len(score.measures) - 1, a + bars - 1)].end
        found = [o for o in played if float(low) - 1e-6 <= o.moment < float(high) - 1e-6]
        return [_later(o, -found[0].strike.start) for o in found] if found else played

    return case


def pauses(count: int) -> Case:
    """Hesitations of 0.6 to 1.5 s."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        found = list(played)
        for _ in range(count):
            k = chance.randrange(1, len(found))
            longer = chance.uniform(0.6, 1.5)
            found = found[:k] + [_later(o, longer) for o in found[k:]]
        return found

    return case


def several(*cases: Case) -> Case:
    """One after the other."""

    def case(score: Score, played: list[Played], chance: random.Random) -> list[Played]:
        for one in cases:
            played = sorted(one(score, played, chance), key=lambda o: (o.strike.start, o.strike.midi))
        return played

    return case


def _later(one: Played, seconds: float) -> Played:
    s = one.strike
    return replace(one, strike=replace(s, start=s.start + seconds, end=s.end + seconds))


TOGETHER = several(skipped(2), restarts(4), slips(0.08, 0.08))
CASES: dict[str, Case] = {
    "untouched": untouched,
    "8 % wrong, 2 % extra": slips(0.08, 0.0, 0.02),
    "8 % left out": slips(0.0, 0.08),
    "15 % wrong, 15 % left out": slips(0.15, 0.15),
    "unwritten trills": trills(0.08),
    "eight bars only": excerpt(8),
    "two times bars skipped": skipped(2),
    "four restarts": restarts(4),
    "six pauses": pauses(6),
    "restarts, skipped bars, 8 % wrong, 8 % left out": TOGETHER,
}


@dataclass
class Count:
    """Notes right, told and true; ornament strikes right, told and true; bars told wrong, takes refused."""

    right: int = 0
    told: int = 0
    true: int = 0
    adorned: int = 0
    adorning: int = 0
    adorns: int = 0
    wrong_bars: int = 0
    runs: int = 0
    unsure: int = 0
    refused: int = 0
    seconds: float = 0.0

    @property
    def f1(self) -> float:
        """Note F1."""
        return 2 * self.right / max(1, self.told + self.true)

    @property
    def ornament_f1(self) -> float:
        """F1 of the strikes of ornaments."""
        return 2 * self.adorned / self.adorning_all if self.adorning_all else float("nan")

    @property
    def adorning_all(self) -> int:
        """Ornament strikes told and true."""
        return self.adorning + self.adorns


def measured(score: Score, case: Sequence[Played], count: Count) -> Take | None:
    """Tie a case and add what is right to the count."""
    performance = Performance(tuple(replace(o.strike, note="") for o in case))
    started = time.process_time()
    try:
        take = tie(score, Recording(performance, (), "midi", "case"))
    except UnderstaveError:
        count.refused += 1
        count.true += sum(bool(o.note) for o in case)
        return None
    count.seconds += time.process_time() - started
    # Two voices on one key are one strike: a note is its moment and key.
    mark = {n.id: (n.onset, n.grace, n.midi) for n in score.notes}
    truth = {(i, mark[o.note]) for i, o in enumerate(case) if o.note}
    told = {(m.strike, mark[m.note]) for m in take.matches}
    count.right += len(truth & told)
    count.told += len(told)
    count.true += len(truth)
    adorns = {i for i, o in enumerate(case) if o.adorns}
    adorning = {s for o in take.ornaments for s in o.strikes} if adorns else set()
    count.adorned += len(adorns & adorning)
    count.adorning += len(adorning)
    count.adorns += len(adorns)
    count.runs += len(take.runs)
    _bars(score, case, take, count)
    return take


def _bars(score: Score, case: Sequence[Played], take: Take, count: Count) -> None:
    """Count runs whose bars are not those played: more than half of the matches lie off by a bar or more."""
    off = [0] * len(take.runs)
    whole = [0] * len(take.runs)
    for m in take.matches:
        true = case[m.strike]
        whole[m.run] += 1
        if abs(float(score.note_by_id[m.note].onset) - true.moment) >= float(score.measures[0].full_length):
            off[m.run] += 1
    for k, run in enumerate(take.runs):
        if run.could_be:
            count.unsure += 1
        elif off[k] > whole[k] / 2:
            count.wrong_bars += 1


def of_pianist(performed: Performed) -> list[Played]:
    """Return a pianist's strikes with their true notes."""
    strikes = performed.performance.strikes
    return [Played(s, s.note, t) for s, t in zip(strikes, performed.times, strict=True)]


def notes(seeds: Sequence[int], pianists: int, peer: Path | None, only: str = "") -> None:
    """Print note F1 for each case."""
    read = [(home.name, *read_excerpt(home)) for home in excerpts()]
    if not read:
        print("The open data is not there; see benchmarks/README.md.")
        return
    print(
        f"{'case':50} {'takes':>5} {'note F1':>8} {'peer':>6} {'orn. F1':>8} {'runs':>5} {'unsure':>6} "
        f"{'wrong bar':>9} {'refused':>7} {'CPU s':>6}"
    )
    for name, case in CASES.items():
        if only not in name:
            continue
        count, theirs, takes = Count(), Count(), 0
        for _, score, performed in read:
            for number, p in enumerate(performed[:: max(1, len(performed) // pianists)][:pianists]):
                for seed in seeds if case is not untouched else seeds[:1]:
                    made = case(score, of_pianist(p), random.Random(1000 * seed + number))
                    made = sorted(made, key=lambda o: (o.strike.start, o.strike.midi))
                    measured(score, made, count)
                    if peer is not None:
                        _peer(peer, score, made, theirs)
                    takes += 1
        beside = f"{theirs.f1:6.3f}" if peer else f"{'-':>6}"
        print(
            f"{name:50} {takes:5} {count.f1:8.4f} {beside} {count.ornament_f1:8.3f} {count.runs:5} "
            f"{count.unsure:6} {count.wrong_bars:9} {count.refused:7} {count.seconds / max(1, takes):6.3f}",
            flush=True,
        )


_PEER = """
import json, sys, warnings
warnings.filterwarnings("ignore")
import numpy as np
import parangonar as pa
for line in sys.stdin:
    asked = json.loads(line)
    f = [("onset_beat","f4"),("duration_beat","f4"),("onset_quarter","f4"),("duration_quarter","f4"),
         ("onset_div","i4"),("duration_div","i4"),("pitch","i4"),("voice","i4"),("id","U256"),("divs_pq","i4"),
         ("is_grace","b")]
    score = np.array([(o,d,o,d,int(o*48),int(d*48),m,1,i,48,d==0) for i,m,o,d in asked["score"]], dtype=f)
    g = [("onset_sec","f4"),("duration_sec","f4"),("onset_tick","i4"),("duration_tick","i4"),("pitch","i4"),
         ("velocity","i4"),("track","i4"),("channel","i4"),("id","U256")]
    played = np.array([(s,e-s,int(s*1000),int((e-s)*1000),m,int(v),0,0,str(k))
                       for k,(m,s,e,v) in enumerate(asked["played"])], dtype=g)
    try:
        found = pa.AutomaticNoteMatcher()(score, played, verbose_time=False)
        pairs = [(int(a["performance_id"]), a["score_id"]) for a in found if a["label"] == "match"]
    except Exception as error:
        pairs = []
        print(error, file=sys.stderr)
    print(json.dumps(pairs), flush=True)
"""
_STARTED: dict[Path, subprocess.Popen[str]] = {}


def _peer(python: Path, score: Score, case: Sequence[Played], count: Count) -> None:
    """Let the published aligner tie the same case."""
    if python not in _STARTED:
        _STARTED[python] = subprocess.Popen(
            [str(python), "-I", "-c", _PEER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
    process = _STARTED[python]
    assert process.stdin is not None
    assert process.stdout is not None
    asked = {
        "score": [(n.id, n.midi, n.at, float(n.duration)) for n in score.notes if not n.cue],
        "played": [(o.strike.midi, o.strike.start, o.strike.end, o.strike.velocity) for o in case],
    }
    process.stdin.write(json.dumps(asked) + "\n")
    process.stdin.flush()
    answer = process.stdout.readline()
    mark = {n.id: (n.onset, n.grace, n.midi) for n in score.notes}
    told = {(k, mark[i]) for k, i in json.loads(answer)}
    truth = {(i, mark[o.note]) for i, o in enumerate(case) if o.note}
    count.right += len(truth & told)
    count.told += len(told)
    count.true += len(truth)


def beats() -> None:
    """Print the share of marked beats within 50 ms, and the bars of the runs."""
    print(
        f"{'piece':34} {'take':14} {'strikes':>7} {'within 50':>9} "
        f"{'100 ms':>7} {'fits':>5} {'runs':>4} {'CPU s':>6}"
    )
    shares, everything = [], [0, 0]
    for recorded in pieces():
        score, performed = read_piece(recorded)
        for p in performed:
            strikes = tuple(replace(s, note="") for s in p.performance.strikes)
            started = time.process_time()
            try:
                take = tie(score, Recording(Performance(strikes), (), "midi", p.name))
            except UnderstaveError as error:
                print(f"{recorded.name:34} {p.name:14} refused: {error}")
                everything[1] += len(p.beats)
                shares.append(0.0)
                continue
            took = time.process_time() - started
            errors = list(_beat_errors(take, p))
            near = sum(e <= WITHIN for e in errors)
            shares.append(near / len(errors))
            everything[0] += near
            everything[1] += len(errors)
            print(
                f"{recorded.name:34} {p.name:14} {len(strikes):7} {100 * shares[-1]:9.1f} "
                f"{100 * np.mean([e <= 0.1 for e in errors]):7.1f} {take.sure:5.2f} "
                f"{len(take.runs):4} {took:6.2f}",
                flush=True,
            )
    if shares:
        print(
            f"within 50 ms: {100 * everything[0] / everything[1]:.1f} % of beats, "
            f"{100 * np.mean(shares):.1f} % by take"
        )


def _beat_errors(take: Take, performed: Performed) -> Iterator[float]:
    """Yield for each marked beat how far off the same written moment was found, in seconds."""
    for second, moment in performed.beats:
        found = [
            abs(run.second(moment) - second)
            for run in take.runs
            if run.moments[0] - 0.5 <= moment <= run.moments[-1] + 0.5
        ]
        yield min(found, default=float("inf"))


def others() -> None:
    """Print what becomes of takes of another piece, in another key, and how much of the right ones fits."""
    read = [(home.name, *read_excerpt(home)) for home in excerpts()]
    from understave.takes.doubts import LEAST

    for name, score, _ in read:
        for other, _, performed in read:
            for shift in (0, 1, -2) if other == name else (0,):
                refused = 0
                for p in performed[:6]:
                    strikes = tuple(replace(s, midi=s.midi + shift, note="") for s in p.performance.strikes)
                    try:
                        tie(score, Recording(Performance(strikes), (), "midi", p.name))
                    except UnderstaveError:
                        refused += 1
                print(
                    f"{other:22} on the score of {name:22} {shift:+d} semitones: "
                    f"{refused} of 6 refused ({LEAST})"
                )


def speed() -> None:
    """Print time and memory for the longest takes."""
    found = [(score, p) for r in pieces() for score, laid in (read_piece(r),) for p in laid]
    for score, p in sorted(found, key=lambda f: -len(f[1].performance.strikes))[:3]:
        recording = Recording(p.performance, (), "midi", p.name)
        started = time.process_time()
        tie(score, recording)
        took = time.process_time() - started
        tracemalloc.start()
        tie(score, recording)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(
            f"{len(p.performance.strikes)} strikes, {len(score.notes)} notes: "
            f"{took:.2f} s CPU, {peak / 1e6:.0f} MB"
        )


def main() -> None:
    """Run what the options ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="held", choices=("held", "tuning"))
    parser.add_argument("--pianists", type=int, default=4, help="pianists of each excerpt (22 at most)")
    parser.add_argument("--case", default="", help="only cases whose name holds this")
    parser.add_argument("--peer", type=Path, help="a Python with the package parangonar")
    for name in ("beats", "others", "speed"):
        parser.add_argument(f"--{name}", action="store_true")
    asked = parser.parse_args()
    if asked.beats:
        beats()
    elif asked.others:
        others()
    elif asked.speed:
        speed()
    else:
        seeds = range(FIRST_SEED, FIRST_SEED + 2) if asked.seeds == "held" else range(3)
        notes(list(seeds), asked.pianists, asked.peer, asked.case)


if __name__ == "__main__":
    main()
