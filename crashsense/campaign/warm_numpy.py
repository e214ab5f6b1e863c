"""What a run with the engine numpy needs, made before workers are forked (see :mod:`.warm`)."""

from __future__ import annotations

from crashsense.campaign.warm_sensors import make_ready

make_ready("numpy")
