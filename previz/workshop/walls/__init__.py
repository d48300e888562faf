"""The kinds of wall made by rule. Each carves a height field and paints it."""

from __future__ import annotations
