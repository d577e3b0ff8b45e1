"""Short MusicXML texts for the tests: notes, bars and whole scores."""

from __future__ import annotations

ATTRIBUTES = (
    "<attributes><divisions>{divisions}</divisions><key><fifths>{fifths}</fifths></key>"
    "<time><beats>{beats}</beats><beat-type>{beat_type}</beat-type></time>{more}</attributes>"
)


def ratio(actual, normal):
    """A time-modification: so many notes in the time of so many."""
    return (
        f"<time-modification><actual-notes>{actual}</actual-notes>"
        f"<normal-notes>{normal}</normal-notes></time-modification>"
    )


def direction(inner, after=""):
    return f"<direction><direction-type>{inner}</direction-type>{after}</direction>"


def attributes(divisions=4, fifths=0, beats=4, beat_type=4, more=""):
    return ATTRIBUTES.format(divisions=divisions, fifths=fifths, beats=beats, beat_type=beat_type, more=more)


def note(name, duration, type_="", *, before="", middle="", after="", voice="1", staff="", alter=0):  # noqa: PLR0913
    """A note such as C4 or R (rest); `before` goes before the pitch, `after` to the end."""
    if name == "R":
        pitch = "<rest/>"
    else:
        letter, octave = name[0], name[-1]
        alter = alter or name.count("#") - name.count("b")
        alteration = f"<alter>{alter}</alter>" if alter else ""
        pitch = f"<pitch><step>{letter}</step>{alteration}<octave>{octave}</octave></pitch>"
    duration = f"<duration>{duration}</duration>" if duration is not None else ""
    type_ = f"<type>{type_}</type>" if type_ else ""
    staff = f"<staff>{staff}</staff>" if staff else ""
    return f"<note>{before}{pitch}{duration}{middle}<voice>{voice}</voice>{type_}{staff}{after}</note>"


def bar(content, number="1", more=""):
    return f'<measure number="{number}"{more}>{content}</measure>'


def score(*parts, version="4.0", head="", names=()):
    """A partwise score; each part is the text of its bars."""
    names = list(names) + ["Music"] * len(parts)
    listed = "".join(
        f'<score-part id="P{k}"><part-name>{names[k - 1]}</part-name></score-part>'
        for k in range(1, len(parts) + 1)
    )
    body = "".join(f'<part id="P{k}">{text}</part>' for k, text in enumerate(parts, 1))
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><score-partwise version="{version}">{head}'
        f"<part-list>{listed}</part-list>{body}</score-partwise>"
    ).encode()
