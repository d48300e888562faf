"""``previz bench``: the live page, from the command line."""

from __future__ import annotations

from pathlib import Path

import click

from previz.run.options import Asked, engine_option, out_option, scene_argument, with_room


@click.command()
@scene_argument
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port on this machine; a free one unless given.")
@click.option("--no-open", is_flag=True, help="Do not open the page in the browser; only print its address.")
@engine_option
@out_option
def bench(scene: Path, port: int, no_open: bool, engine: str | None, out: Path | None) -> None:
    """The same as a live page in the browser: drag the camera, see what breaks. Ctrl-C ends it."""
    # one process builds, another looks
    with_room(scene, None, Asked(False, out, engine, 1))
    import asyncio
    import webbrowser

    from previz.bench.server import serve
    from previz.run.results import results_folder

    def opened(address: str) -> None:
        click.echo(f"the bench is at {address}  (this machine only; Ctrl-C ends it)")
        if not no_open:
            webbrowser.open(address)

    asyncio.run(serve(scene, port, engine, results_folder(scene, out), opened))
    click.echo("the bench is closed", err=True)
