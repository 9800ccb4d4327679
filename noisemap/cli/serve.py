"""The command of the local page: serve."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("serve")
@click.argument("study", required=False, type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(0, 65535), help="Port; 0 takes a free one.  [8622]")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
@click.option(
    "--allow-network",
    is_flag=True,
    help="Let --host be an address that other machines reach.",
)
@click.option("--open", "open_browser", is_flag=True, help="Open the page in the browser.")
def serve_command(
    study: Path | None, port: int | None, host: str, allow_network: bool, open_browser: bool
) -> None:
    """Work on studies in the browser: files, scene, run, map, listening, inspection, routes.

    STUDY is a study file or a folder of studies; the current folder when left out.
    The page is served to this machine alone and needs no network.
    """
    from noisemap.web.server import PORT, check_host, is_loopback, serve, workspace_of

    check_host(host, allow_network)
    workspace = workspace_of(study)
    if not is_loopback(host):
        click.echo(
            "noisemap: WARNING: other machines can reach this page, unencrypted; whoever sees "
            "its address with the key can read and change the studies",
            err=True,
        )

    def tell(address: str) -> None:
        click.echo(f"Open this address in a browser; the key in it is yours alone:\n\n  {address}")
        click.echo(f"\nStudies in {workspace.root}. Stop with Ctrl-C.")
        if open_browser:
            import webbrowser

            webbrowser.open(address)

    serve(workspace, host, PORT if port is None else port, tell)
