"""The report of a shoot as one file that opens from disk, asks nothing of any network and runs no script but its own.

The words and tables are written here; ``previz/static`` holds the look (``look.css``, ``report.css``), the drawing
(``draw.js``), what moves (``report.js``) and the frame of it all (``report.html``). The content policy names every
script and style by its SHA-256 (Content Security Policy Level 3, 6.7.3.3), so that nothing else can run.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from html import escape
from typing import Any

from previz.deliver.rig.rigdata import CardTable, Measure, Setting
from previz.deliver.shoot.pagedata import UNSEEN_CODES, CleanPatch, base64_text, smaller, webp_bytes
from previz.deliver.shoot.pagefilm import page_film
from previz.draw.paper import TitleBlock
from previz.draw.statictext import static_text
from previz.draw.style import HOLDS_BELOW_PCT, break_text
from previz.workshop.surface import Pixels8

# a page is smaller than this, bytes: it is to be sent by mail
LARGEST = 12_000_000
# kept free for what is not counted
_SPARE = 60_000

# in the order in which they run, by the names of their places in report.html
_SCRIPTS = {"three": "vendor/three.min.js", "draw": "draw.js", "keys": "keys.js", "player": "film.js",
            "solid": "solid.js", "blind_script": "blind.js", "script": "report.js"}  # fmt: skip

_HOLE = re.compile(r"\{\{ (\w+) \}\}")
# what is said of pictures of another state of the scene file
_OTHER_STATE = (
    '<p class="other-state"><b>Made before the scene file was last changed:</b> what is shown here may not be true of '
    "this set any more. Run {} again.</p>"
)

_COMPARE_PX, _COMPARE_QUALITY = 1400, 70
_CELL_PX, _CELL_QUALITY = 280, 55


@dataclass(frozen=True, eq=False)
class Candidate:
    """A candidate of the contact sheet: its ``row`` of the table, as texts, and its ``picture`` (H, W, 3) or None."""

    row: Mapping[str, str]
    picture: Pixels8 | None


@dataclass(frozen=True)
class BlindTest:
    """What the blind test needs: where the bridge is in each frame of a clip, ``[x, y, ...]`` px of the judged frame.

    ``scene`` are the first digits of the scene file's hash, ``judge`` what the judge says of the same, in words,
    ``people`` what viewers have found so far, ``needed`` how many viewers a claim takes: (who find it, viewers), and
    ``claim_pct`` what is claimed.
    """

    places: Sequence[Sequence[float]]
    scene: str
    judge: str
    people: str
    needed: Sequence[tuple[int, int]]
    claim_pct: float


@dataclass(frozen=True, eq=False)
class ReportPage:
    """Everything on the page.

    ``rows`` are the frames for ``report.js``: ``frame, rail_mm, break_pct, mismatch_de, slip_px, tells, reason, now,
    lines``, in order; ``frames`` their pictures and clean patches; ``rate`` is frames a second. ``curve`` is what
    ``Draw.curve`` takes, ``set_`` what ``Draw.view`` takes, ``solid`` what the set in three dimensions is drawn from.
    ``go`` are buttons: (word, frame). ``blind`` is what the blind test is made of, None where no frame shows where the
    bridge is. ``compare`` and ``compared`` are the picture and the table of the paint comparison, where there is one.
    ``compare_of_scene`` and ``candidates_of_scene`` are whether they were made from the scene file as it is now.
    """

    title: TitleBlock
    verdict: str
    made: str
    size_px: tuple[int, int]
    rate: Fraction
    start: int
    rows: Sequence[Mapping[str, Any]]
    frames: Sequence[tuple[Pixels8, CleanPatch | None]]
    curve: Mapping[str, Any]
    set_: Mapping[str, Any]
    solid: Mapping[str, Any]
    go: Sequence[tuple[str, int]]
    settings: Sequence[Setting]
    places: Sequence[Measure]
    tables: Sequence[CardTable]
    lines: Sequence[tuple[str, Sequence[str]]]
    cautions: Sequence[str]
    blind: BlindTest | None = None
    compare: Pixels8 | None = None
    compared: Sequence[Mapping[str, str]] = ()
    candidates: Sequence[Candidate] = field(default=())
    candidates_in_all: int = 0
    compare_of_scene: bool = True
    candidates_of_scene: bool = True


def report_html(page: ReportPage) -> str:
    """The page; smaller than 12 MB: the frames are made smaller or coarser until they fit."""
    scripts = {name: static_text(file) for name, file in _SCRIPTS.items()}
    style = static_text("look.css") + static_text("report.css") + _printed(page.title)
    rate = float(page.rate)
    first, last = page.rows[0]["frame"], page.rows[-1]["frame"]
    fills = scripts | {
        "style": style,
        "policy": policy(scripts.values(), [style]),
        "title": escape(page.title.scene),
        "verdict": escape(page.verdict),
        "made": escape(page.made),
        "shown": "",
        "width_px": "",
        "height_px": "",
        "first": str(first),
        "last": str(last),
        "start": str(page.start),
        "paces": _paces(rate),
        "film": _film(len(page.rows), rate),
        "mark_buttons": "".join(
            f'<button type="button" data-go="{frame}">{escape(word)} <span class="num">{frame}</span></button>'
            for word, frame in page.go
        ),
        "links": _links(page),
        "curve_words": escape(f"Break along the move, frames {first} to {last}. {page.verdict}"),
        "blind": _blind(page),
        "blind_dialog": "",
        "cautions": _cautions(page.cautions),
        "triangles": f"{sum(part['triangles'] for part in page.solid['parts']):,}".replace(",", " "),
        "rig": _rig(page),
        "compare": _compare(page),
        "candidates": _candidates(page),
        "frames_table": _frames_table(page.rows),
        "subject": escape(page.title.subject),
        "scale": escape(page.title.scale),
        "date": escape(page.title.date),
        "length": f"{len(page.rows)} frames, {len(page.rows) / rate:.2f} s",
    }
    data = {
        "title": page.title.scene,
        "size_px": list(page.size_px),
        "rate": rate,
        "start": page.start,
        "frames": page.rows,
        "curve": page.curve,
        "set": page.set_,
        "blind": _blind_data(page),
    }
    fills["data"] = script_json(data)
    fills["pictures"] = script_json({"film": {}, "solid": page.solid})
    template = static_text("report.html")
    taken = len(_filled(template, fills).encode("utf-8"))
    film = page_film(page.frames, page.rate, LARGEST - _SPARE - taken)
    fills["pictures"] = script_json({"film": film.data(), "solid": page.solid})
    fills |= {"width_px": str(film.width_px), "height_px": str(film.height_px)}
    if page.blind is not None:
        fills["blind_dialog"] = _filled(static_text("blind.html"), fills)
    fills["shown"] = (
        f"The film is {film.width_px} px wide here and compressed (H.264, rate factor {film.quality}); the frames as "
        "judged are in lens/. Without the bridge they are changed where that makes more than "
        f"{UNSEEN_CODES} codes of 255."
    )
    return _filled(template, fills)


def _printed(title: TitleBlock) -> str:
    """What stands at the foot of every printed page: scene, scale, date, and which sheet of how many it is."""
    words = f"{title.scene}, {title.subject}, {title.scale}, {title.date}"
    # a string of CSS (CSS Syntax Level 3, 4.3.5): all but plain characters by their number
    safe = re.sub(r"[^ \w.,:-]", lambda found: f"\\{ord(found[0]):x} ", words)
    font = 'font: 9px "DejaVu Sans Mono", monospace'
    return (
        f'@page {{ margin: 10mm 10mm 14mm; @bottom-left {{ {font}; content: "{safe}"; }} '
        f'@bottom-right {{ {font}; content: "sheet " counter(page) " of " counter(pages); }} }}'
    )


def _film(count: int, rate: float) -> str:
    return (
        f"The film has every frame of the shot, {count} at {rate:g} a second: {count / rate:.2f} s. "
        "Flip it at any frame, while it runs or stands."
    )


def _paces(rate: float) -> str:
    paces = [(rate, f"as delivered, {rate:g} a second"), (rate / 4.0, "a quarter of it"), (1.0, "one a second")]
    return "".join(f'<option value="{pace:.10g}">{words}</option>' for pace, words in paces)


def policy(scripts: Any, styles: Any) -> str:
    """The page's content policy: these scripts and styles, pictures and film out of the page itself, nothing else."""

    def named(texts: Any) -> str:
        return " ".join(f"'sha256-{_sha256(text)}'" for text in texts)

    return (
        f"default-src 'none'; img-src data: blob:; media-src blob:; script-src {named(scripts)}; "
        f"style-src {named(styles)}; base-uri 'none'; form-action 'none'"
    )


def script_json(value: object) -> str:
    """JSON that can stand inside a script element: no ``<`` in it ends the element early."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _sha256(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _filled(template: str, fills: Mapping[str, str]) -> str:
    return _HOLE.sub(lambda hole: fills[hole[1]], template)


def _links(page: ReportPage) -> str:
    parts = [("break", "break"), ("blind", "blind test")]
    parts += [("cautions", "cautions"), ("set", "the set"), ("rig", "rig numbers")]
    parts += [("compare", "paints")] if page.compare is not None or page.compared else []
    parts += [("sheet", "contact sheet")] if page.candidates else []
    parts.append(("table", "every frame"))
    there = {"cautions": bool(page.cautions), "blind": page.blind is not None}
    return "".join(
        f'<a href="#{name}">{word}</a>' for name, word in parts if there.get(name, True)
    )


# a click so far beside the bridge still means it: a finger is that wide, in shares of the frame's width
_BESIDE = 0.02


def _blind_data(page: ReportPage) -> dict[str, Any] | None:
    test = page.blind
    if test is None:
        return None
    return {
        "places": test.places,
        "last": len(test.places),
        "scene": test.scene,
        "tolerance_px": round(_BESIDE * page.size_px[0], 1),
    }


def _blind(page: ReportPage) -> str:
    test = page.blind
    if test is None:
        return ""
    needed = ", ".join(f"{viewers} where {found or 'none'} {'finds' if found < 2 else 'find'} it"
                       for found, viewers in test.needed)  # fmt: skip
    people = f"<p><b>So far: {escape(test.people)}.</b></p>" if test.people else ""
    return (
        '<section id="blind" aria-labelledby="blind-title" class="no-print"><h2 id="blind-title">Blind test</h2>'
        f"<p>Do people see it? Six clips of the shot up to the end of the hold, {len(test.places)} frames at the true "
        "rate: each with the bridge or without it, some turned left to right, in an order that nobody knows. Click "
        f"where you see it, or say that nothing is there. The judge: {escape(test.judge)}.</p>{people}"
        '<form class="row" id="blind-form" autocomplete="off"><label>your label <input type="text" id="blind-label" '
        'maxlength="40" size="16" aria-describedby="blind-fault"></label><button type="submit" id="blind-begin">begin'
        '</button><button type="button" id="blind-save" disabled>save the answers as CSV</button></form>'
        '<p class="small fault" id="blind-fault" role="alert"></p><p class="small" id="blind-told" role="status"></p>'
        '<p class="small">A viewer counts once, by the first clip that had the bridge; clicks in clips without it say '
        "how many only guess. Lay the tables into the folder of this report and run shoot or score again: they stand "
        f"in summary.json then. To claim that at most {test.claim_pct:g} of 100 find it takes {needed} (one-sided, "
        "95 % sure, by Clopper and Pearson).</p></section>"
    )


def _cautions(cautions: Sequence[str]) -> str:
    if not cautions:
        return ""
    items = "".join(f"<li>{escape(text)}</li>" for text in cautions)
    return (
        '<section id="cautions" aria-labelledby="cautions-head"><h2 id="cautions-head">Look out</h2>'
        f'<div class="cautions"><ul>{items}</ul></div></section>'
    )


def _table(name: str, title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], scroll: bool = False) -> str:
    head = "".join(f'<th scope="col">{escape(word) or "<span class=sr>name</span>"}</th>' for word in heads)
    body = "".join("<tr>" + "".join(f"<td>{_lines(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    table = f'<table id="{name}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    return _titled(name, title, table, scroll)


def _titled(name: str, title: str, table: str, scroll: bool = False) -> str:
    around = f'<div class="across" data-name="{escape(title)}">{table}</div>'
    if scroll:
        around = f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(title)}">{table}</div>'
    return (
        f'<div class="titled"><div class="row"><h3>{escape(title)}</h3>'
        f'<button type="button" class="no-print" data-copy="{name}" aria-label="copy the table: {escape(title)}">copy'
        f'</button></div>{around}</div>'
    )


def _lines(text: str) -> str:
    return "<br>".join(escape(line) for line in text.split("\n"))


def _rig(page: ReportPage) -> str:
    boxes = "".join(
        f"<div><dt>{escape(s.name)}</dt><dd>{escape(s.value)}</dd><dd>{escape(s.more)}</dd></div>"
        for s in page.settings
    )
    measures = [(m.name, m.metric, m.imperial) for m in page.places]
    parts = [_table("rig-places", "where the lens stands", ("", "metric", "feet and inches"), measures)]
    for number, table in enumerate(page.tables):
        # the boxes to write in are the printed card's
        keep = [i for i, head in enumerate(table.heads) if head != "measured"]
        heads = [table.heads[i] for i in keep]
        rows = [[row[i] for i in keep] for row in table.rows]
        parts.append(_table(f"rig-{number}", table.title, heads, rows, scroll=len(keep) > 5))
    notes = "".join(
        f"<div class=\"titled\"><h3>{escape(title)}</h3>{''.join(f'<p>{escape(line)}</p>' for line in lines)}</div>"
        for title, lines in page.lines
        if lines
    )
    columns = f'<div class="columns">{"".join(parts)}</div><div class="columns">{notes}</div>'
    return f'<dl class="boxes">{boxes}</dl>{columns}'


# of a frame that holds, each of these is at most 5 %
_HELD_BELOW = ("break_pct", "trace_pct", "found_pct")


def _frames_table(rows: Sequence[Mapping[str, Any]]) -> str:
    def number(value: float | None, decimals: int) -> str:
        return "" if value is None else f"{value:.{decimals}f}"

    body = []
    for row in rows:
        over = {key: " breaks" if (row[key] or 0.0) > HOLDS_BELOW_PCT else "" for key in _HELD_BELOW}
        cells = (
            f'<td class="n">{row["frame"]}</td><td class="n">{number(row["rail_mm"], 1)}</td>'
            f'<td class="n{over["break_pct"]}">{escape(break_text(row["break_pct"]))}</td>'
            f'<td class="n{over["trace_pct"]}">{number(row["trace_pct"], 1)}</td>'
            f'<td class="n">{number(row["drift_deg_s"], 2)}</td>'
            f'<td class="n{over["found_pct"]}">{number(row["found_pct"], 1)}</td>'
            f'<td class="n">{number(row["mismatch_de"], 1)}</td><td class="n">{number(row["slip_px"], 1)}</td>'
            f"<td>{escape(', '.join(row['tells']) or row['reason'])}</td>"
        )
        body.append(f'<tr data-frame="{row["frame"]}">{cells}</tr>')
    numbers = ("frame", "rail, mm", "break", "trace, %", "drift, deg/s", "found, %", "mismatch, dE00", "slip, px")
    heads = (*numbers, "tells")
    head = "".join(f'<th scope="col"{" class=n" if word != "tells" else ""}>{word}</th>' for word in heads)
    table = f'<table id="frames-table"><thead><tr>{head}</tr></thead><tbody>{"".join(body)}</tbody></table>'
    return _titled("frames-table", "frame by frame", table, scroll=True)


def _compare(page: ReportPage) -> str:
    if page.compare is None and not page.compared:
        return ""
    out = '<section id="compare" aria-labelledby="compare-head"><h2 id="compare-head">Paints compared</h2>'
    if not page.compare_of_scene:
        out += _OTHER_STATE.format("paint --compare")
    if page.compare is not None:
        small = smaller(page.compare, _COMPARE_PX)
        out += (
            f'<img class="compare-picture" width="{small.shape[1]}" height="{small.shape[0]}" alt="One frame around '
            'the bridge in every paint, the one that is found first comes first; the table has the numbers" '
            f'src="data:image/webp;base64,{base64_text(webp_bytes(small, _COMPARE_QUALITY))}">'
        )
    if page.compared:
        heads = [_head(name) for name in page.compared[0]]
        rows = [[_value(name, text) for name, text in row.items()] for row in page.compared]
        out += _table("compare-table", "break with each paint, over the hold", heads, rows)
    return out + "</section>"


# headers of the tables that commands leave, in words
_WORDS = {
    "paint": "paint", "break_mean_pct": "mean break", "break_worst_pct": "worst break", "frames": "frames",
    "rank": "rank", "hold_mm": "hold", "break_reveal_pct": "break at reveal", "height_mm": "height",
    "distance_mm": "distance", "lateral_mm": "to the side", "tilt_deg": "tilt", "lens_mm": "lens",
}  # fmt: skip


def _head(name: str) -> str:
    return _WORDS.get(name, name.rsplit("_", 1)[0].replace("_", " "))


def _value(name: str, text: str) -> str:
    if text == "":
        return "-"
    for ending, unit, decimals in (("_pct", "%", 1), ("_mm", "mm", 1), ("_deg", "deg", 1)):
        if name.endswith(ending):
            try:
                return f"{float(text):.{decimals}f} {unit}"
            except ValueError:
                return text
    return text


def _candidates(page: ReportPage) -> str:
    if not page.candidates:
        return ""
    told = ("hold_mm", "hold_still_mm")
    facts = [name for name in page.candidates[0].row if name.endswith(("_mm", "_deg")) and name not in told]
    sorts = [("rank up", "best first"), ("hold down", "longest hold"), ("found up", "found by fewest"),
             ("mean up", "least mean break"),
             ("worst up", "least worst break"), ("reveal down", "strongest reveal")]  # fmt: skip
    sorts += [(f"fact{i} up", f"{_head(name)}, lowest first") for i, name in enumerate(facts)]
    choices = "".join(f'<option value="{value}">{escape(word)}</option>' for value, word in sorts)
    cells = "".join(_cell(candidate, facts) for candidate in page.candidates)
    more = page.candidates_in_all - len(page.candidates)
    best = f"The best {len(page.candidates)} of {page.candidates_in_all}"
    rest = f" {best}; the rest are in sheet.csv." if more > 0 else ""
    state = "" if page.candidates_of_scene else _OTHER_STATE.format("sheet")
    return (
        '<section id="sheet" aria-labelledby="sheet-head"><h2 id="sheet-head">Contact sheet</h2>'
        f'<p class="small">Other places of the lens, as last tried on this set with the command sheet.{rest}</p>{state}'
        '<div class="row no-print"><label>order <select id="sheet-by">' + choices + "</select></label>"
        '<label>hold at least <input type="number" id="sheet-least" min="0" step="5" value="0"> mm</label>'
        '<label>worst break at most <input type="number" id="sheet-most" min="0" max="100" step="1"> %</label>'
        '<span id="sheet-count" role="status" class="num"></span></div>'
        f'<ol class="cells" id="cells">{cells}</ol></section>'
    )


def _cell(candidate: Candidate, facts: Sequence[str]) -> str:
    row = candidate.row
    names = {"rank": "rank", "hold": "hold_mm", "found": "found_hold_pct", "mean": "break_mean_pct",
             "worst": "break_worst_pct",
             "reveal": "break_reveal_pct"} | {f"fact{i}": name for i, name in enumerate(facts)}  # fmt: skip
    values = "".join(f' data-{key}="{escape(row.get(name, ""))}"' for key, name in names.items())
    rank = escape(row.get("rank", ""))
    where = ", ".join(f"{_head(name)} {_value(name, row[name])}" for name in facts)
    if candidate.picture is None:
        picture = f'<div class="no-picture">{escape(row.get("reason", "") or "no picture")}</div>'
    else:
        small = smaller(candidate.picture, _CELL_PX)
        picture = (
            f'<img width="{small.shape[1]}" height="{small.shape[0]}" alt="candidate {rank}: '
            f'{escape(where)}" src="data:image/webp;base64,{base64_text(webp_bytes(small, _CELL_QUALITY))}">'
        )
    hold = row.get("hold_mm", "")
    seconds = row.get("hold_s", "")
    word = row.get("reason") or "does not hold"
    if hold and float(seconds or hold) > 0.0:
        word = "holds " + (f"{float(seconds):.1f} s, " if seconds else "") + _value("hold_mm", hold)
    found = "" if not row.get("found_hold_pct") else f"found {_value('found_hold_pct', row['found_hold_pct'])}, "
    breaks = ", ".join(
        f"{word} {_value(name, row.get(name, ''))}"
        for word, name in (("mean", "break_mean_pct"), ("worst", "break_worst_pct"), ("reveal", "break_reveal_pct"))
    )
    first = ' class="first"' if rank == "1" else ""
    return (
        f"<li{first}{values}>{picture}<p><b>{rank}</b> &nbsp;<b>{escape(word)}</b></p>"
        f"<p>{escape(found)}break {escape(breaks)}</p>"
        f"<p>{escape(where)}</p></li>"
    )
