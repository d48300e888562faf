"""Both engines, each opened anew for a test."""

from __future__ import annotations

import pytest

from previz.errors import EngineError
from previz.look.sight import SightEngine


def pictures_or_skip():
    from previz.look.picture import PictureEngine

    try:
        return PictureEngine()
    except EngineError as error:
        pytest.skip(f"pictures need OpenGL: {error}")


@pytest.fixture
def pictures():
    engine = pictures_or_skip()
    yield engine
    engine.close()


@pytest.fixture
def sight():
    engine = SightEngine()
    yield engine
    engine.close()


@pytest.fixture(params=["pictures", "sight lines"])
def engine(request):
    engine = SightEngine() if request.param == "sight lines" else pictures_or_skip()
    yield engine
    engine.close()
