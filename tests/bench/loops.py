"""An event loop of its own for a test, whatever loop another tool of the tests keeps in this thread."""

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

Result = TypeVar("Result")


def run(work: Coroutine[Any, Any, Result]) -> Result:
    """Run a coroutine to its end in a thread of its own (a browser driver keeps a loop running in the first one)."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()
