"""One model of a sensing location, used by crash and misuse alike.

:mod:`.place`: where a sensor is bolted, its modes in every draw. :mod:`.shaking`: random shaking by
folding, by the law of measured levels, driven by :mod:`.power`. :mod:`.blow`: the answer to a
force.
"""

from crashsense.synthesis.location.blow import Path, blow_response, blow_sections, modal_answer
from crashsense.synthesis.location.place import Modes, Place, drawn_modes
from crashsense.synthesis.location.power import absorbed_power, ringing_down, with_folds
from crashsense.synthesis.location.shaking import BANDS_HZ, LAW, shake

__all__ = [
    "BANDS_HZ",
    "LAW",
    "Modes",
    "Path",
    "Place",
    "absorbed_power",
    "blow_response",
    "blow_sections",
    "drawn_modes",
    "modal_answer",
    "ringing_down",
    "shake",
    "with_folds",
]
