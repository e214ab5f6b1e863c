"""Which events are meant: names, patterns and families, and what to write where one fits none."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping, Sequence

from crashsense.errors import Fault, UnknownNameError, nearest
from crashsense.event import FAMILIES

#: Unknown names of events that are reported at once.
MOST_FAULTS = 20


def nearest_events(entry: str, known: Iterable[str]) -> str:
    """Say what to write instead of an entry that matches no event: the tail of an error message.

    >>> nearest_events("pole", ["pole_centre_15", "pole_centre_20", "wall_full_8"])
    "a name, a pattern or a family of events (did you mean 'pole*'? it matches 2)"
    """
    names = list(known)
    begun = [name for name in names if name.startswith(entry)]
    inside = [name for name in names if entry in name]
    if entry and (begun or inside):
        pattern, hits = (f"{entry}*", begun) if begun else (f"*{entry}*", inside)
        meant = f"did you mean {pattern!r}? it matches {len(hits)}"
        return f"a name, a pattern or a family of events ({meant})"
    return nearest(entry, [*names, *FAMILIES])


def select_events(
    names: Sequence[str] | str | None, *, known: Mapping[str, str], file: str = ""
) -> list[str]:
    """Resolve names, globs and families to event names, in library order.

    *known* maps event name -> family. One text means that one entry. An entry that matches nothing
    is a fault.
    """
    if names is None:
        return list(known)
    if isinstance(names, str):  # its letters are no names
        names = [names]
    chosen: set[str] = set()
    faults = []
    for entry in names:
        hits = [n for n, f in known.items() if entry in (n, f) or fnmatch.fnmatchcase(n, entry)]
        if not hits:
            faults.append(Fault(file, "event", entry, nearest_events(entry, known)))
        chosen.update(hits)
        if len(faults) >= MOST_FAULTS:  # each takes a search for a near name
            break
    if faults:
        raise UnknownNameError(faults)
    return [name for name in known if name in chosen]
