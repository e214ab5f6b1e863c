"""``crashsense words``: the meaning of the words on pages and screens."""

from __future__ import annotations

import click

from crashsense.cli.printing import say


@click.command()
@click.argument("word", nargs=-1)
def words(word: tuple[str, ...]) -> None:
    """Print the meaning of a WORD of pages, tables and lessons; without a word, of all of them."""
    from crashsense.glossary import GROUPS, WORDS, find_word

    if word:
        found = find_word(" ".join(word))
        say(_entry(found, WORDS[found]))
        return
    for title, group in GROUPS.items():
        say(f"{title}\n")
        for name in sorted(group, key=str.lower):
            say(_entry(name, group[name]))
        say()
    say("crashsense words WORD   one of them, in any usual spelling (RTTF, on time)")


def _entry(name: str, text: str) -> str:
    return f"  {name}: {text}"
