"""``rig.html``: the card of the day as one page for a phone: nothing run or fetched, boxes to tick and to write in."""

from __future__ import annotations

from html import escape
from typing import Final

from previz.deliver.rig.cardblocks import BOX
from previz.deliver.rig.rigdata import CardTable, Notes, RigCard
from previz.draw.style import CHALK, FAINT, INK, PAPER, SIGNAL, SOFT, Colour

# nothing may be loaded or run
_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; base-uri 'none'"

_STYLE: Final = """
body {{ margin: 0 auto; max-width: 34rem; padding: .8rem; background: {paper}; color: {ink};
 font: 18px/1.4 "DejaVu Sans Mono", ui-monospace, monospace; -webkit-text-size-adjust: 100%; }}
h1 {{ font-size: 1.3rem; margin: .2rem 0; }}
h2 {{ font-size: 1rem; text-transform: uppercase; margin: 1.6rem 0 .3rem; border-bottom: 2px solid {ink}; }}
p, li {{ margin: .4rem 0; }}
small, .unit {{ color: {soft}; font-size: .85rem; }}
dl {{ margin: 0; display: grid; grid-template-columns: 1fr 1fr; border: 2px solid {ink}; }}
dl div {{ padding: .4rem .6rem; border: 1px solid {faint}; }}
dt {{ color: {soft}; font-size: .8rem; text-transform: uppercase; }}
dd {{ margin: 0; font-size: 1.5rem; font-weight: bold; }}
dd small {{ display: block; font-weight: normal; }}
.row {{ border-bottom: 1px solid {faint}; padding: .5rem 0; }}
.row b {{ display: block; }}
.row span {{ display: inline-block; margin-right: 1rem; white-space: pre-line; }}
label {{ display: flex; gap: .7rem; align-items: flex-start; }}
input[type=checkbox] {{ width: 1.6rem; height: 1.6rem; flex: none; accent-color: {chalk}; }}
input[type=text] {{ width: 100%; box-sizing: border-box; font: inherit; padding: .3rem; margin-top: .3rem;
 border: 1px solid {soft}; background: transparent; color: inherit; }}
.warn h2 {{ color: {signal}; border-color: {signal}; }}
.warn li {{ list-style: "!  "; }}
ul {{ padding-left: 1.2rem; }}
"""


def phone_page(card: RigCard) -> str:
    """The page: settings, order of work, what is set and taped, lamps, notes, in that order. Same input, same text."""
    block = card.title_block
    colours = {"paper": PAPER, "ink": INK, "soft": SOFT, "faint": FAINT, "chalk": CHALK, "signal": SIGNAL}
    style = _STYLE.format(**{name: _hex(colour) for name, colour in colours.items()})
    out = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(block.scene)}: shot card</title>",
        f"<style>{style}</style></head><body>",
        f"<h1>{escape(block.scene)}</h1>",
        f"<small>shot card, set {escape(block.scale)}, scene file of {escape(block.date)}</small>",
        "<dl>",
        *(f"<div><dt>{escape(s.name)}</dt><dd>{escape(s.value)}<small>{escape(s.more)}</small></dd></div>"
          for s in card.settings),
        "</dl>",
    ]  # fmt: skip
    out += [] if card.order is None else [_order(card.order)]
    out += [_table(table) for table in (*card.day, *card.tables)]
    out += [_notes(notes) for notes in card.notes if notes.lines]
    return "\n".join([*out, "</body></html>"]) + "\n"


def _hex(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def _order(table: CardTable) -> str:
    rows = [
        f'<div class="row"><label><input type="checkbox"><div><b>{escape(name)}</b>{escape(what)}'
        f"<br><small>right when: {escape(right)}</small></div></label></div>"
        for name, what, right, *_ in table.rows
    ]
    return f"<section><h2>{escape(table.title)}</h2>{''.join(rows)}</section>"


def _table(table: CardTable) -> str:
    rows = []
    for name, *cells in table.rows:
        told = []
        for head, cell in zip(table.heads[1:], cells, strict=True):
            if head == BOX:
                told.append(f'<input type="text" aria-label="{escape(name)}, measured" placeholder="measured">')
            elif cell:
                unit = f'<span class="unit">{escape(head)}</span>' if head and head != "set to" else ""
                told.append(f"{unit}<span>{escape(cell)}</span>")
        rows.append(f'<div class="row"><b>{escape(name)}</b>{"".join(told)}</div>')
    return f"<section><h2>{escape(table.title)}</h2>{''.join(rows)}</section>"


def _notes(notes: Notes) -> str:
    lines = "".join(f"<li>{escape(line)}</li>" for line in notes.lines)
    kind = ' class="warn"' if notes.warn else ""
    return f"<section{kind}><h2>{escape(notes.title)}</h2><ul>{lines}</ul></section>"
