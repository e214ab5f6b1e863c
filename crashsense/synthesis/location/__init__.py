"""One model of a sensing location, used by crash and misuse alike.

:mod:`.place`: where a sensor is bolted, its modes in every draw. :mod:`.shaking`: random shaking by
folding, by the law of measured levels. :mod:`.blow`: the answer to a force. :mod:`.modes`: the
sections of one mode.
"""

from crashsense.synthesis.location.blow import Path, blow_response
from crashsense.synthesis.location.place import Modes, Place, drawn_modes
from crashsense.synthesis.location.shaking import BANDS_HZ, LAW, shake

__all__ = ["BANDS_HZ", "LAW", "Modes", "Path", "Place", "blow_response", "drawn_modes", "shake"]
