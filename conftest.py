"""What the tests leave out where an optional extra is not installed."""

from __future__ import annotations

from importlib.util import find_spec

# Kernels of the extra 'fast' cannot even be imported without it; nothing else imports them then.
KERNELS = ["crashsense/compiled.py", "crashsense/compiled_synthesis.py"]
collect_ignore = [] if find_spec("numba") else KERNELS
