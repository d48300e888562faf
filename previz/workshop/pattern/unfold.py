"""The bridge's faces unfolded into flat pieces, to be cut from card or board.

Everything is seen from outside, the painted side up, in metres at true size. Two ways of building:

* **card**, scored and folded. The printed lines are the finished *outer* faces, and no length is corrected. A rounded
  fold of angle A makes the faces beside it larger by ``2 t tan(A/2) - A t/2`` together (the bend deduction of
  sheet-metal work with the neutral line half way through; common practice, no source); :func:`fold_growth` gives it
  and the notes state it. Faces hang together along straight folds, the top with its sides first; the other edges
  are cut, carry the same letter on both sides, and one of the two has a tab.
* **board**, separate panels that are glued edge to face. The finished *outer* size is the drawn one: the top covers the
  sides and the ends; the sides cover the ends and the underside; the ends cover the underside's ends. Whatever is
  covered is shorter by ``t / sin(angle between the faces)``, which is t at a square edge. Faces that meet at less than
  45 degrees from flat are mitred instead: their outer faces stay whole and both edges are bevelled by half the angle.

Where faces meet at less than 6 degrees the sheet is bent, not folded: an arched top stays one piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from previz.errors import BuildError
from previz.geometry import Array
from previz.workshop.bridge import BridgeBuild
from previz.workshop.pattern.facets import Facets, Triangles, facets_of
from previz.workshop.pattern.layout import Flats, joined_flats
from previz.workshop.pattern.pieces import (
    Cut,
    Fold,
    Joint,
    Label,
    Mark,
    NoRoomError,
    PatternPiece,
    Tab,
    cut_piece,
    joints_of,
    lettered,
)
from previz.workshop.pattern.tabs import with_tabs

__all__ = ["Cut", "Fold", "Label", "Mark", "Pattern", "PatternPiece", "Tab", "fold_growth", "unfold"]

Material = Literal["card", "board"]

_THICKEST_CARD = 0.0015
_MOST_FACES = 1200
_MANY_PIECES = 40
# narrow and long side (m) of the largest sheet unless another is given: ISO 216 A2
_SHEET = (0.420, 0.594)
# boards that meet at less than this (rad) from flat are mitred: neither covers the other
_MITRED = float(np.radians(45.0))
# parts whose boxes share more than this (m) every way are set into one another
_SET_IN = 1e-4
# panels that have no room between board this thick may be left out up to this share of the surface (ours)
_SMALL = 0.1
# a joint between boards this far (rad) from square is bevelled
_SQUARE = float(np.radians(3.0))


@dataclass(frozen=True, eq=False)
class Pattern:
    """What is to be cut: ``pieces`` from ``material`` of ``thickness`` m; ``notes`` say how they go together.

    ``untabbed`` are the letters of joints in card that have no room for a tab.
    """

    pieces: tuple[PatternPiece, ...]
    thickness: float
    material: Material
    notes: tuple[str, ...]
    untabbed: tuple[str, ...] = ()


def fold_growth(angle: float, thickness: float) -> float:
    """How much (m) larger the outer faces beside a rounded fold of ``angle`` rad become together in a sheet (m).

    ``2 t tan(A/2) - A t/2``: bend deduction with no inner radius and the neutral line half way through (common
    practice, no source; a sharply scored fold grows less).
    """
    a = min(abs(angle), np.pi / 2.0)
    return float(2.0 * thickness * np.tan(a / 2.0) - a * thickness / 2.0)


def unfold(
    model: BridgeBuild | Triangles, thickness: float, material: Material, sheet: tuple[float, float] = _SHEET
) -> Pattern:
    """Flat pieces of a closed mesh, or of a bridge as built, in ``material`` of ``thickness`` m.

    ``sheet`` (narrow, long) m: pieces are not joined beyond it; a single face that is longer stays whole, for it can be
    printed on a roll or on tiles. Edges keep their length to 0.01 mm. Raises :class:`BuildError` for a mesh that is not
    closed or has too many faces, card that is too thick to fold, board too thick for the bridge.
    """
    if not thickness > 0.0:
        raise BuildError(f"a sheet of {thickness * 1e3:.2f} mm cannot be cut; give its thickness above 0 mm")
    if material == "card" and thickness >= _THICKEST_CARD:
        raise BuildError(
            f"card of {thickness * 1e3:.1f} mm cannot be scored and folded; take less than "
            f'{_THICKEST_CARD * 1e3:.1f} mm, or material = "board"'
        )
    facets = facets_of(model)
    if len(facets.normal) > _MOST_FACES:
        raise BuildError(
            f"the bridge has {len(facets.normal)} flat faces, more than {_MOST_FACES}: too many to cut by hand; "
            "save a simpler mesh for the pattern"
        )
    flats = joined_flats(facets, fold=material == "card", sheet=sheet)
    inset = _insets(facets, flats, thickness) if material == "board" else np.zeros(len(facets.twin))
    joints = joints_of(facets, flats)
    letters = lettered(facets, flats, joints)
    pieces, filled = _cut_all(facets, flats, inset, joints, letters)
    notes: list[str] = []
    untabbed: list[str] = []
    if material == "card":
        pieces, untabbed = with_tabs(pieces, facets, flats, joints, letters)
        notes += _card_notes(facets, flats, thickness, untabbed)
    else:
        notes += _board_notes(facets, flats, thickness, inset, joints, letters)
        if filled:
            names = ", ".join(filled[:8]) + (f" and {len(filled) - 8} more" if len(filled) > 8 else "")
            notes.append(f"Too small for this board, left out: {names}. Fill what stays open there, and sand it flush.")
    notes += _bodies_notes(facets, flats)
    if len(pieces) > _MANY_PIECES:
        notes.append(
            f"{len(pieces)} pieces: a surface this rough is quicker carved than folded; unfold a smooth core and carve "
            "the rest on it."
        )
    longest = max(max(p.size) for p in pieces)
    if longest > sheet[1]:
        notes.append(
            f"The longest piece is {longest * 1e3:.0f} mm: where your sheet is shorter, butt two lengths and glue a "
            "strip behind the joint, away from the other joints."
        )
    pieces.sort(key=lambda p: -round(p.size[0] * p.size[1], 9))
    return Pattern(tuple(pieces), thickness, material, tuple(notes), tuple(untabbed))


def _cut_all(
    facets: Facets, flats: Flats, inset: Array, joints: list[Joint], letters: list[str]
) -> tuple[list[PatternPiece], list[str]]:
    """All pieces, and the names of those that are left out, small ones that their neighbours' thickness leaves no room
    for. What ends at one of those is not cut short for it: ``inset`` (3T,) m is nought there afterwards.

    Raises :class:`NoRoomError` where what would be left out is more than :data:`_SMALL` of the surface.
    """
    piece_of = flats.piece[facets.facet[np.arange(len(facets.twin)) // 3]]
    corners = facets.vertices[facets.triangles]
    areas = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    area_of = np.bincount(piece_of[::3], weights=areas, minlength=flats.count)
    left_out: dict[int, str] = {}
    while True:
        pieces = []
        for p in sorted(set(range(flats.count)) - set(left_out)):
            try:
                pieces.append(cut_piece(facets, flats, p, inset, joints, letters))
            except NoRoomError:
                left_out[p] = flats.name[int(flats.panel[np.flatnonzero(flats.piece == p)[0]])]
                if area_of[list(left_out)].sum() > _SMALL * area_of.sum():
                    raise
                inset[np.isin(piece_of[facets.twin], list(left_out))] = 0.0
                break
        else:
            return pieces, sorted(left_out.values())


def _insets(facets: Facets, flats: Flats, thickness: float) -> Array:
    """How far (3T,) m each cut edge of a board panel lies inside the drawn edge: 0 where the panel covers."""
    inset = np.zeros(len(facets.twin))
    own_panel = flats.panel[facets.facet[np.arange(len(inset)) // 3]]
    other_panel = own_panel[facets.twin]
    inside_angle = np.pi - facets.fold
    for h in np.flatnonzero(~(flats.flat | flats.folded)):
        p, q = int(own_panel[h]), int(other_panel[h])
        covers = (flats.rank[p], p) <= (flats.rank[q], q)
        sine = float(np.sin(inside_angle[h]))
        if not covers and abs(facets.fold[h]) >= _MITRED:
            inset[h] = thickness / sine if abs(sine) > 0.05 else 20.0 * thickness
    return inset


def _card_notes(facets: Facets, flats: Flats, thickness: float, untabbed: list[str]) -> list[str]:
    t = thickness * 1e3
    folded = np.flatnonzero(flats.folded & (facets.fold > 0.0))
    notes = [
        f"Card {t:.2f} mm, printed side out. The lines are the finished outer faces; nothing is taken off.",
        "Score folds with a blunt point. Mountain: fold away from you. Valley: fold towards you. Bend lines: no "
        "score, roll the card over a tube.",
    ]
    if len(folded):
        growth = fold_growth(np.pi / 2.0, thickness) * 1e3
        notes.append(
            f"A rounded 90 degree fold makes the two faces beside it {growth:.2f} mm larger together (bend "
            "allowance); a V cut half through on the back keeps them true."
        )
    if any(facets.hidden):
        notes.append(
            'The flap "into the wall" is glued inside the wall; what lies behind the sill line is out of sight.'
        )
    if untabbed:
        notes.append(f"No room for a tab at {_listed(untabbed)}: glue edge to edge with a paper strip behind.")
    return notes


def _board_notes(
    facets: Facets, flats: Flats, thickness: float, inset: Array, joints: list[Any], letters: list[str]
) -> list[str]:
    t = thickness * 1e3
    notes = [
        f"Board {t:.1f} mm, butt joints, outer size as drawn. The top covers the sides and the ends; the sides cover "
        "the ends and the underside; the ends cover the underside's ends.",
        f"Where a panel is covered it is cut {t:.1f} mm short at a square edge; the printed lines have this taken off.",
    ]
    bevels: dict[int, list[str]] = {}
    mitres: dict[int, list[str]] = {}
    runs_under: list[str] = []
    for joint, letter in zip(joints, letters, strict=True):
        h = joint.edges[0] if inset[joint.edges[0]] != 0.0 else int(facets.twin[joint.edges[0]])
        angle = abs(float(facets.fold[h]))
        if angle < _MITRED:
            mitres.setdefault(round(float(np.degrees(angle)) / 2.0), []).append(letter)
        elif abs(angle - np.pi / 2.0) > _SQUARE:
            bevels.setdefault(round(float(np.degrees(abs(angle - np.pi / 2.0)))), []).append(letter)
        if inset[h] < 0.0:
            runs_under.append(letter)
    for degrees, where in sorted(bevels.items()):
        notes.append(f"Bevel the covered edge by {degrees} degrees from square at {_listed(where)}.")
    for degrees, where in sorted(mitres.items()):
        if degrees:
            notes.append(f"Mitre: bevel both edges by {degrees} degrees from square at {_listed(where)}.")
    if runs_under:
        notes.append(f"At {_listed(runs_under)} the inner corner's panel is longer and runs under its neighbour.")
    if np.any(flats.folded):
        notes.append("Bend lines: score the back every few millimetres so that the board follows the curve.")
    return notes


def _bodies_notes(facets: Facets, flats: Flats) -> list[str]:
    """What to do where a mesh is put together from closed parts that run into one another."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    triangle = np.arange(len(facets.twin)) // 3
    count = len(facets.triangles)
    link = coo_matrix((np.ones(len(triangle)), (triangle, facets.twin // 3)), shape=(count, count))
    bodies, body = connected_components(link, directed=False)
    if bodies < 2:
        return []
    corners = facets.vertices[facets.triangles]
    low = np.array([corners[body == b].min(axis=(0, 1)) for b in range(bodies)])
    high = np.array([corners[body == b].max(axis=(0, 1)) for b in range(bodies)])
    # boxes that share more than a face: parts set into one another
    inside = (np.minimum(high[:, None], high) - np.maximum(low[:, None], low)).min(axis=2) > _SET_IN
    pairs = [(a, b) for a, b in np.argwhere(np.triu(inside, 1)).tolist()]
    notes = [f"The mesh is {bodies} closed parts: each is cut whole and built by itself, then set in its place."]
    if pairs:
        names = sorted({flats.name[flats.panel[facets.facet[body == b].min()]] for pair in pairs for b in pair})
        more = f" and {len(names) - 6} more" if len(names) > 6 else ""
        what = "One pair of parts runs" if len(pairs) == 1 else f"{len(pairs)} pairs of parts run"
        notes.append(
            f"{what} into one another (those with {', '.join(names[:6])}{more}): mark where they meet, and cut one of "
            "each pair back by what is inside the other."
        )
    return notes


def _listed(letters: list[str]) -> str:
    if len(letters) == 1:
        return f"edge {letters[0]}"
    more = f" and {len(letters) - 12} more" if len(letters) > 12 else ""
    return f"edges {', '.join(letters[:12])}{more}"
