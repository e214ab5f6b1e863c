"""``crashsense words``: what the words on pages and screens mean."""

from __future__ import annotations

import textwrap

import click


@click.command()
@click.argument("word", nargs=-1)
def words(word: tuple[str, ...]) -> None:
    """Print the meaning of a WORD of pages, tables and lessons; without a word, of all of them."""
    from crashsense.glossary import GROUPS, WORDS, find_word

    if word:
        found = find_word(" ".join(word))
        click.echo(_entry(found, WORDS[found]))
        return
    for title, group in GROUPS.items():
        click.echo(f"{title}\n")
        for name in sorted(group, key=str.lower):
            click.echo(_entry(name, group[name]))
        click.echo()
    click.echo("crashsense words WORD   one of them, also in other spellings (RTTF, on time)")


def _entry(name: str, text: str) -> str:
    return textwrap.fill(
        f"{name}: {text}",
        96,
        initial_indent="  ",
        subsequent_indent="      ",
        break_on_hyphens=False,
    )
