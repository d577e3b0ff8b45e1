"""A square piano of about 1790: five octaves, small hammers, low tension. Set by ear."""

from understave.acoustics.piano import Instrument

SQUARE_PIANO = Instrument(
    "square piano",
    a4=425.0,
    lowest=29,
    highest=89,
    last_damper=108,
    inharmonicity=0.4,
    bass_inharmonicity=0.4,
    decay=2.2,
    after_db=-22.0,
    after_slowness=2.8,
    contact=0.7,
    damping=0.9,
    detuning=0.8,
    halo_db=-38.0,
    knock=1.6,
)
