"""The line to a cluster's scheduler: the one file that talks to dask.distributed, and what may go wrong with it.

Whoever reaches a scheduler can have its workers run anything: it has to stand in a network of people who trust each
other.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import socket
import threading
import uuid
import warnings
from collections.abc import Callable, Mapping, Sequence
from importlib.util import find_spec
from typing import Any, Final
from urllib.parse import urlsplit

from previz.errors import ClusterError, missing

# s that an address may take to answer
ANSWER_S: Final = 10.0

# what the library says is not for people who make films; what they need to know is said here
_LOGGERS: Final = ("distributed", "distributed.client", "distributed.core", "distributed.comm", "tornado.application")


class ClusterLine:
    """The scheduler at ``address`` ("tcp://host:port", or tls), asked in ways that end in a :class:`ClusterError`."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._client: Any = None
        self._settings = contextlib.ExitStack()

    @property
    def worker_command(self) -> str:
        """How a worker is started."""
        return f"dask worker {self.address} --nthreads 1"

    def connect(self) -> None:
        """Reach the scheduler, and refuse it and its workers where Python or the library is another than here."""
        if find_spec("distributed") is None:
            raise missing("--cluster", "cluster", ImportError("dask.distributed"))
        _require_answer(self.address)
        try:
            self._client = self._client_there()
            self._require_versions()
        except BaseException:
            self.close()
            raise

    def _client_there(self) -> Any:
        import dask
        from distributed import Client

        for name in _LOGGERS:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        wanted = {
            "distributed.comm.timeouts.connect": f"{ANSWER_S:g}s",
            "distributed.admin.large-graph-warning-threshold": "1 TB",
        }
        self._settings.enter_context(dask.config.set(wanted))
        made: queue.SimpleQueue[Any] = queue.SimpleQueue()

        def make() -> None:
            try:
                made.put(Client(self.address, timeout=ANSWER_S, set_as_default=False, name="previz"))
            except Exception as error:
                made.put(error)

        with warnings.catch_warnings():
            # versions are compared by us, in one line
            warnings.simplefilter("ignore")
            # the library waits for ever for somebody who listens and says nothing
            threading.Thread(target=make, daemon=True).start()
            try:
                client = made.get(timeout=2.0 * ANSWER_S)
            except queue.Empty:
                client = TimeoutError(f"silent for {2.0 * ANSWER_S:.0f} s")
        if isinstance(client, Exception):
            raise ClusterError(
                f"what answers at {self.address} is no scheduler that can be talked to ({first_line(client)}); start "
                "one there by: dask scheduler, in the version that is installed here"
            ) from client
        return client

    def _require_versions(self) -> None:
        found = self._asked(lambda: self._client.get_versions(check=False))
        own = _of_library(found["client"])
        others = {f"the scheduler at {self.address}": found["scheduler"]}
        others |= {f"the worker {address}": seen for address, seen in found["workers"].items()}
        for who, seen in others.items():
            # a worker that went away meanwhile says nothing, or something else
            if isinstance(seen, Mapping) and "host" in seen:
                require_same(who, _of_library(seen), own)

    def _asked(self, what: Callable[[], Any]) -> Any:
        try:
            return what()
        except Exception as error:
            raise ClusterError(
                f"the cluster at {self.address} went away ({first_line(error)}); what was done is kept where the "
                "command keeps it: start the cluster, and the same command goes on"
            ) from error

    def workers(self) -> list[str]:
        """Addresses of the workers that are there now."""
        return list(self._asked(lambda: self._client.nthreads()))

    def submit(self, worker: str, what: Callable[..., Any], *how: Any) -> Any:
        """Have one worker, and no other, call a function; a future of what comes of it."""
        # nothing of it is kept from one time to the next: not what it gave, not who had it
        return self._asked(
            lambda: self._client.submit(what, *how, workers=[worker], allow_other_workers=False, pure=False)
        )

    def scattered(self, data: bytes, worker: str) -> Any:
        """A future of data that lie with a worker, from whom others have them; None where that worker is gone."""
        name = f"previz-set-{uuid.uuid4().hex}"
        try:
            return self._client.scatter({name: data}, workers=[worker], hash=False)[name]
        except (OSError, KeyError, ValueError):
            return None

    def tell(self, workers: Sequence[str], what: Callable[..., Any], *how: Any) -> None:
        """Have workers call a function beside what they do; whoever does not answer is not waited for long."""
        with contextlib.suppress(Exception):
            self._client.run(what, *how, workers=list(workers), on_error="ignore")

    def close(self) -> None:
        """Let go of the scheduler, also where it is not there any more."""
        with contextlib.suppress(Exception):
            if self._client is not None:
                self._client.close(timeout=2.0)
        self._settings.close()


def _require_answer(address: str) -> None:
    """Raises :class:`ClusterError` where nobody listens at an address, or does not in time."""
    parts = urlsplit(address)
    try:
        socket.create_connection((parts.hostname or "", parts.port or 0), timeout=ANSWER_S).close()
    except OSError as error:
        raise ClusterError(
            f"nobody answers at {address} ({error.strerror or error}); --cluster wants the address that "
            "dask scheduler prints when it is started"
        ) from error


def _of_library(seen: Mapping[str, Any]) -> dict[str, str]:
    packages = seen["packages"]
    return {
        "Python": str(seen["host"]["python"]),
        "dask": str(packages.get("dask")),
        "dask.distributed": str(packages.get("distributed")),
    }


def require_same(who: str, theirs: Mapping[str, str], own: Mapping[str, str]) -> None:
    """Raises :class:`ClusterError` where a version differs from our ``own``, for the bytes might."""
    for name, here in own.items():
        there = theirs.get(name)
        if there != here:
            raise ClusterError(
                f"{who} has {name} {there}, and here it is {here}; install the same on every machine, for results "
                "might differ"
            )


def first_line(error: BaseException) -> str:
    """What an error says first; its kind where it says nothing."""
    text = str(error).strip()
    return text.splitlines()[0] if text else type(error).__name__
