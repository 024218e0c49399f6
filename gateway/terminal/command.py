"""The commands `loopwitness loopcheck`, `record` and `sheet`: their words, and how they end."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from gateway import logs, tables
from gateway.errors import Fault, LoopwitnessError
from gateway.plant.sitefile import read_site
from gateway.process import CTRL_C, program_version, settings

from . import words
from .beginning import begun, resumed
from .client import Gateway, token_of, trusting
from .keys import Keys
from .screen import Screen
from .session import Session
from .sheettables import sheet_lines

Address = Annotated[
    str | None,
    typer.Option(metavar="URL", help="The gateway; else this machine's, as its settings say."),
]
Token = Annotated[
    Path | None,
    typer.Option("--token-file", metavar="FILE", help="Else http-token in the state folder."),
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]
Pdf = Annotated[
    Path | None, typer.Option("--pdf", metavar="FILE", help="Write it as PDF; -: print it so.")
]


class WordsError(LoopwitnessError):
    """Words on the command line that do not fit together."""

    exit_code = 2


def sheet(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="The site file (TOML).")],
    loop: Annotated[list[str] | None, typer.Argument(metavar="[LOOP]...")] = None,
    pdf: Pdf = None,
    as_json: Json = False,
) -> None:
    """The commissioning sheet of a site, or of some of its loops, before anything is wired.

    For every input what to expect at 0, 25, 50, 75 and 100 % (pressure, volts or milliamps,
    counts, the controller's value), where failure begins, and the settings to find in the
    controller. Reads nothing but the site file.
    """
    from gateway.loopcheck.sheet import sheet as sheet_of  # noqa: PLC0415 (loads for a moment)

    logs.configure("text", "error")
    known = read_site(site)
    for key in loop or []:
        if key not in known.loops:
            raise WordsError(str(Fault("LOOP", key, ", ".join(known.loops))))
    made = sheet_of(known, loop or [])
    if pdf is not None:
        from gateway.paper.sheet import sheet_pdf  # noqa: PLC0415 (loads for a moment)

        _write(pdf, sheet_pdf(made, program_version()))
    elif as_json:
        tables.print_json(made)
    else:
        console = tables.console()
        for line in sheet_lines(made):
            console.print(line)


def record(
    number: Annotated[
        int | None, typer.Argument(metavar="[NUMBER]", min=1, help="Left out: list them all.")
    ] = None,
    pdf: Pdf = None,
    as_json: Json = False,
    address: Address = None,
    token_file: Token = None,
) -> None:
    """Records of finished loop checks, kept by the running gateway.

    Without a number: the list, what is due, and whether the chain of records is whole. With one:
    its verdict, or the record itself with --json or --pdf.
    """
    gateway = _gateway(address, token_file)
    if number is None:
        listed = gateway.get("checks", "records")
        listed["due"] = gateway.get("checks", "records", "due")
        if as_json:
            tables.print_json(listed)
        else:
            _print_list(listed)
        return
    if pdf is not None:
        _write(pdf, gateway.read("checks", "records", str(number), "pdf"))
        return
    found = gateway.get("checks", "records", str(number))
    if as_json:
        tables.print_json(found)
    else:
        broken = gateway.get("checks", "records")["broken"]
        typer.echo("\n".join(words.ended(found) + words.tampered(number, broken)))


def loopcheck(
    loop: Annotated[str | None, typer.Argument(metavar="[LOOP]", help="Id of the loop.")] = None,
    *,
    person: Annotated[str | None, typer.Option(metavar="NAME", help="Who checks.")] = None,
    transducer: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Only this; again for several.")
    ] = None,
    scheme: Annotated[
        str, typer.Option(metavar="SCHEME", help="five, three, one (point) or zero.")
    ] = "five",
    point: Annotated[
        float, typer.Option(min=0, max=100, metavar="PERCENT", help="Of the scheme one.")
    ] = 50.0,
    cycles: Annotated[int, typer.Option(min=1, max=5, help="Times through the points.")] = 1,
    only_as_found: Annotated[
        bool, typer.Option("--only-as-found", help="Look, adjust nothing.")
    ] = False,
    combined: Annotated[
        bool, typer.Option(help="Also drive the inputs one by one and in pairs.")
    ] = True,
    hands_free: Annotated[
        bool, typer.Option("--hands-free", help="Take what reads near without a word.")
    ] = False,
    rule: Annotated[
        str, typer.Option(metavar="RULE", help="simple, guarded, or by ratio (the usual).")
    ] = "by ratio",
    reference: Annotated[
        str | None, typer.Option(metavar="TEXT", help="What applies or measures the pressure.")
    ] = None,
    certificate: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Its certificate.")
    ] = None,
    uncertainty: Annotated[
        str | None, typer.Option(metavar='"VALUE UNIT"', help="Its expanded uncertainty (95 %).")
    ] = None,
    ambient: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Temperature, draughts, tubes.")
    ] = None,
    resume: Annotated[
        str | None, typer.Option(metavar="NAME", help="Go on with an open check.")
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="The cautions are read and arranged for.")
    ] = False,
    address: Address = None,
    token_file: Token = None,
) -> None:
    """Check a loop by hand, step by step, against a reference; needs a running gateway.

    Says what to apply, waits for a reading that is still, records it, and ends in a record. What
    is not given is asked for. Ctrl-C pauses; nothing recorded is lost. Without LOOP: the checks
    that are open. Nothing is written to the controller.
    """
    gateway = _gateway(address, token_file)
    keys = Keys()
    asked = {
        "transducers": transducer, "scheme": scheme, "point": point, "cycles": cycles,
        "only_as_found": only_as_found, "combined": combined, "hands_free": hands_free,
        "rule": rule, "reference": reference, "certificate": certificate,
        "uncertainty": uncertainty, "ambient": ambient,
    }  # fmt: skip
    if resume is None and loop is None:
        _print_open(gateway)
        return
    who = person or _ask(keys, "Your name, for the record: ")
    screen = Screen()
    try:
        if resume is not None:
            check = resumed(gateway, resume, screen.say)
        else:
            check = begun(
                gateway, str(loop), who, asked, lambda text: _ask(keys, text), screen.say, yes=yes
            )
        found = Session(gateway, check, who, keys, screen).run()
    except KeyboardInterrupt:
        raise typer.Exit(CTRL_C) from None
    if found is not None:
        typer.echo("\n".join(words.ended(found)))


def _gateway(address: str | None, token_file: Path | None) -> Gateway:
    known = settings()
    logs.configure("text", "error")
    host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(known.http_host, known.http_host)
    cert = known.http_tls_cert_file
    url = address or f"{'https' if cert else 'http'}://{host}:{known.http_port}"
    file = token_file or known.state_dir / "http-token"
    tls = trusting(cert) if cert and address is None else None
    return Gateway(url, lambda: token_of(file), tls)


def _ask(keys: Keys, text: str) -> str:
    typer.echo(text, nl=not sys.stdin.isatty())
    line = keys.line()
    if line is None:
        raise WordsError(
            f"{text.rstrip(': ')}: nothing was typed; allowed: an answer, or an option"
        )
    return line


def _write(file: Path, content: bytes) -> None:
    if str(file) == "-":
        sys.stdout.buffer.write(content)
        return
    try:
        file.write_bytes(content)
    except OSError as error:
        raise WordsError(f"{file}: {error.strerror}; allowed: a file that can be written") from None
    typer.echo(f"{file}: {len(content) / 1024:.0f} kB")


def _print_open(gateway: Gateway) -> None:
    found: list[dict[str, Any]] = gateway.get("checks")["open"]
    typer.echo(
        "Open checks:" if found else "No check is open; begin one: loopwitness loopcheck LOOP"
    )
    for one in found:
        typer.echo(words.opened(one))


def _print_list(listed: dict[str, Any]) -> None:
    console = tables.console()
    columns = ("record#", "loop", "finished", "as left", "as found", "hash")
    rows = [
        (str(one["number"]), one["loop"], one["finished"][:16].replace("T", " "), one["verdict"],
         one["as_found"], one["hash"][:16])
        for one in listed["records"]
    ]  # fmt: skip
    console.print(tables.plain_table("Records of loop checks", columns, rows))
    if listed["due"]:
        late = [
            (one["transducer"], (one["last"] or "never")[:10], (one["due"] or "now")[:10],
             "OVERDUE" if one["overdue"] else "")
            for one in listed["due"]
        ]  # fmt: skip
        heads = ("transducer", "last right", "due", "")
        console.print(tables.plain_table("Due for a check", heads, late))
    for words_ in listed["broken"]:
        console.print(f"! {words_}")
    if not listed["broken"]:
        console.print("The chain of records is whole.")
