"""The command line: `loopwitness check`, `run`, `demo`, `registers`, `replay`, `export` ...

Exit codes are those of `gateway.errors`, 70 for a mistake in this program itself.
"""

from __future__ import annotations

import asyncio
import re
import sys
import time
from collections.abc import Callable, Coroutine, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

import typer
from pydantic import ValidationError

from gateway import logs, look, process, tables
from gateway.errors import LinkError, SiteFileError, StartError
from gateway.export.command import export
from gateway.plant.controllers import Controller
from gateway.plant.faults import among, in_words
from gateway.plant.sitefile import read_site
from gateway.record import wishes
from gateway.replay.command import replay
from gateway.safekeeping import backup, restore
from gateway.terminal.command import loopcheck, record, sheet
from gateway.terminal.people import user

SiteFile: TypeAlias = Annotated[Path, typer.Argument(metavar="SITE", help="The site file (TOML).")]
Json: TypeAlias = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]
Seconds: TypeAlias = Annotated[
    float | None,
    typer.Option("--for", metavar="SECONDS", min=0.1, help="Stop by itself after this time."),
]

app = typer.Typer(
    help="An independent witness for pressure loops: it reads controllers over Modbus TCP, "
    "recomputes what their transducers say, and tells what is wrong. It never writes.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


@app.command()
def check(
    file: SiteFile,
    live: Annotated[
        bool, typer.Option("--live", help="Also read every controller once, and compare.")
    ] = False,
    why: Annotated[
        bool, typer.Option("--hidden", help="Every fault that cannot be seen, with the reason.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Check a site file, and with --live the plant.

    Tells every fault of the file at once, or in short what it describes: how uncertain each
    transducer is, and how many faults its signal, input and loop keep hidden. With --live every
    controller is read once, and each transducer is shown as counts, signal, our pressure and
    the controller's own. Exit code 1: the file has faults; 4: a controller did not answer.
    """
    logs.configure("text", "error")
    try:
        site = read_site(file)
    except SiteFileError as error:
        if not as_json:
            raise
        tables.print_json(tables.faults_data(error))
        raise typer.Exit(error.exit_code) from None
    data = tables.site_data(str(file), site, time.time())
    scans = look.read_all(site) if live else []
    if live:
        data["live"] = look.compare(site, scans)
    if as_json:
        tables.print_json(data)
    else:
        _print_site(data, why=why)
    silent = [scan for scan in scans if not tables.answered(scan)]
    if silent:
        reasons = "\n".join(f"  {scan.controller}: {scan.link.reason}" for scan in silent)
        raise LinkError(f"{len(silent)} controller(s) did not answer as they should\n{reasons}")


@app.command()
def run(file: SiteFile, seconds: Seconds = None) -> None:
    """Watch a site until Ctrl-C or SIGTERM.

    The page's address is printed when it is up. Addresses, folders and secrets are settings:
    environment variables LOOPWITNESS_... or a file .env in the working folder.
    """
    settings = process.settings()
    site = read_site(file)
    from gateway.run import run_gateway  # noqa: PLC0415 (loads for seconds: faults come first)

    _until_told(lambda stop: run_gateway(site, settings, ready=_say_ready, stop=stop), seconds)


@app.command()
def demo(
    port: Annotated[
        int | None, typer.Option(min=0, max=65534, metavar="N", help="Port of the page; 0: any.")
    ] = None,
    seconds: Seconds = None,
    seed: Annotated[int, typer.Option(min=0, help="Number that the plant's noise follows.")] = 1,
) -> None:
    """Watch a simulated building until Ctrl-C.

    The building is the fictional Harbour Street Archive. A second page, one port further,
    switches faults on and off in the plant. The demo keeps its history apart, in the folder
    demo below the state folder, and makes up people who can sign in there.
    """
    from gateway.demo.control import demo_site_path  # noqa: PLC0415 (as in `run`)
    from gateway.demo.people import told  # noqa: PLC0415
    from gateway.run import run_demo  # noqa: PLC0415
    from gateway.web.tls import beyond_this_machine  # noqa: PLC0415

    settings = process.settings()
    own = {
        "http_port": settings.http_port if port is None else port,
        "state_dir": settings.state_dir / "demo",
    }
    settings = settings.model_copy(update=own)
    beside = settings.http_port + (1 if settings.http_port < 65535 else -1)
    plant_port = beside if settings.http_port else 0
    site = read_site(demo_site_path())

    people = told(settings.state_dir, loopback=not beyond_this_machine(settings.http_host))

    def ready(address: str) -> None:
        _say_ready(address)
        typer.echo("\n".join(people))
        if plant_port:
            typer.echo(f"Faults of the plant are switched at http://127.0.0.1:{plant_port}/")

    _until_told(
        lambda stop: run_demo(
            site, settings, plant_port=plant_port, seed=seed, ready=ready, stop=stop
        ),
        seconds,
    )


@app.command()
def relearn(
    loop: Annotated[str, typer.Argument(metavar="LOOP", help="Id of the loop.")],
    reason: Annotated[str, typer.Option(help="What was done, for the journal.")],
) -> None:
    """Let the running gateway forget what it learnt of a loop, after work on it.

    Works on this machine, for whoever may write to the folder of the history
    (LOOPWITNESS_STATE_DIR). The gateway takes it up within seconds.
    """
    folder = process.settings().state_dir.absolute()
    loops = wishes.known_loops(folder)
    if loops and loop not in loops:
        allowed = f"a loop of the gateway that keeps its history in {folder}{among(loop, loops)}"
        raise typer.BadParameter(f"{loop!r}; allowed: {allowed}", param_hint="LOOP")
    if not reason.strip():
        raise typer.BadParameter("nothing; allowed: what was done", param_hint="--reason")
    try:
        wishes.ask_to_relearn(folder, loop, reason)
    except OSError as error:
        raise StartError(
            f"{folder}: {error.strerror}; allowed: the folder of a gateway, writable "
            "(LOOPWITNESS_STATE_DIR)"
        ) from None
    typer.echo(f"asked: {loop} will be learnt anew by the gateway that keeps {folder}")


@app.command()
def registers(
    address: Annotated[str, typer.Argument(metavar="HOST[:PORT]", help="The controller.")],
    *,
    unit: Annotated[int, typer.Option(min=0, max=255, help="Modbus unit id.")] = 1,
    table: Annotated[
        Literal["input", "holding"],
        typer.Option(help="input: function code 4; holding: function code 3."),
    ] = "holding",
    first: Annotated[int, typer.Option(min=0, max=65535, help="First address, from 0.")] = 0,
    last: Annotated[
        int | None, typer.Option(min=0, max=65535, help="Last address; left out: 50 in all.")
    ] = None,
    interval: Annotated[
        float, typer.Option(min=0.1, max=3600, metavar="SECONDS", help="Time between two rounds.")
    ] = 1.0,
    timeout: Annotated[
        float, typer.Option(min=0.05, max=60, metavar="SECONDS", help="Longest wait for an answer.")
    ] = 1.0,
    moving: Annotated[bool, typer.Option("--moving", help="Show only those that moved.")] = False,
    seconds: Seconds = None,
    as_json: Json = False,
) -> None:
    """Watch raw registers, to find the one that moves.

    Shows each register as whole numbers and as floating point in both word orders. Ctrl-C ends
    it. With --json there is a line for every round. Exit code 4: the controller did not answer.
    """
    logs.configure("text", "error")
    last = min(first + 49, 65535) if last is None else last
    if last < first:
        raise typer.BadParameter(f"--last {last}; allowed: {first} (--first) to 65535")
    host, port = _host_and_port(address)
    try:
        controller = Controller(
            host=host, port=port, unit_id=unit, interval_s=interval, timeout_s=timeout
        )
    except ValidationError as error:
        faults = "; ".join(str(fault) for fault in in_words(error, Controller))
        raise typer.BadParameter(faults) from None
    asked = (table, first, last)
    _until_told(
        lambda stop: look.watch_registers(controller, asked, stop, moving=moving, as_json=as_json),
        seconds,
    )


app.command()(replay)
app.command()(export)
app.command()(sheet)
app.command()(loopcheck)
app.command()(record)
app.command()(backup)
app.command()(restore)
app.add_typer(user, name="user")


def _until_told(
    work: Callable[[asyncio.Event], Coroutine[Any, Any, None]], seconds: float | None
) -> None:
    raise typer.Exit(process.until_told(work, seconds))


def _host_and_port(address: str) -> tuple[str, int]:
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[^:\s]+)(?::(\d{1,5}))?", address)
    if found is None or not 1 <= int(found[2] or 502) <= 65535:
        raise typer.BadParameter(f"{address!r}; allowed: HOST, HOST:PORT or [IPV6]:PORT")
    return found[1].strip("[]"), int(found[2] or 502)


def _print_site(data: Mapping[str, Any], *, why: bool) -> None:
    console = tables.console()
    console.print(f"{data['file']}: no faults ({data['name'] or data['site']})\n")
    for table in tables.site_tables(data) + tables.trust_tables(data, why=why):
        console.print(table)
    if "live" in data:
        for table in tables.live_tables(data["live"]):
            console.print(table)
        for hint in data["live"]["hints"]:
            console.print(hint, markup=False, highlight=False, soft_wrap=True)


def _say_ready(address: str) -> None:
    typer.echo(f"Loopwitness is up: {address} (Ctrl-C stops it)")


def main() -> None:
    """Run the command line and end the process."""
    try:
        app(prog_name="loopwitness")
    except SystemExit as end:
        process.leave(end.code if isinstance(end.code, int) else int(end.code is not None))
        raise
    except Exception as error:  # noqa: BLE001 (the last edge: told in one line, or logged whole)
        code = process.end_with(error)
        process.leave(code)
        sys.exit(code)


if __name__ == "__main__":
    main()
