"""The commands.

Exit status 0 done, 1 refused input or failed work with the reason on standard error, 2 wrong usage.
"""

import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, NoReturn, cast, get_args

import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from service import __version__
from service.errors import UpslopeError
from service.settings import Settings

app = typer.Typer(
    help="The longitudinal record of graded exercise tests.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
keys_app = typer.Typer(help="Keys of the API.", no_args_is_help=True)
app.add_typer(keys_app, name="keys")

_errors = Console(stderr=True, highlight=False)
# What is being answered has this long to end when the service is stopped: an import of many rows takes a while.
_LAST_ANSWERS_S = 20


def main() -> None:
    """Entry point of the command."""
    # The matrices of an analysis are small: more threads for one gain nothing, and wait for each other on a busy machine.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    app()


def _fail(message: str) -> NoReturn:
    _errors.print(message, style="bold", markup=False, soft_wrap=True)
    raise typer.Exit(1)


@contextmanager
def _told() -> Iterator[None]:
    """Turn an error of the tree into its message and exit status 1."""
    try:
        yield
    except UpslopeError as error:
        _errors.print(error.detail, style="bold", markup=False, soft_wrap=True)
        for place in error.errors:
            where = ", ".join(
                part
                for part in (
                    f"row {place.row}" if place.row is not None else "",
                    f"column {place.column}" if place.column is not None else "",
                )
                if part
            )
            _errors.print(f"  {where or place.location}: {place.message}", markup=False, soft_wrap=True)
        raise typer.Exit(1) from error
    except OSError as error:
        _errors.print(
            f"{error.filename or 'A file'}: {error.strerror or error}.", markup=False, soft_wrap=True
        )
        raise typer.Exit(1) from error


def _settings() -> Settings:
    from pydantic import ValidationError

    try:
        return Settings()
    except ValidationError as error:
        faults = "\n".join(
            f"  UPSLOPE_{fault['loc'][0]}".upper() + f": {fault['msg']}" for fault in error.errors()
        )
        _fail(f"A setting cannot be used:\n{faults}")


@contextmanager
def _record() -> Iterator[Any]:
    """The record, which must be at the schema of this program; what goes wrong with it is told."""
    import sqlalchemy as sa

    from service.db.migrate import DatabaseUnusable, refuse_newer, schema_state
    from service.db.transactions import Store

    settings = _settings()
    with _told():
        state = schema_state(settings)
        refuse_newer(state)
        if state.current != state.newest:
            _fail(
                "There is no record here yet, or an older one. Run 'upslope migrate' (or 'upslope serve', which does it first)."
            )
        store = Store(settings)
        try:
            yield store
        except sa.exc.DBAPIError as error:
            raise DatabaseUnusable(f"The database at {settings.shown_url} failed: {error.orig}.") from error
        finally:
            store.close()


def _width() -> int:
    """Characters of a line: of the terminal, within what can be read; 100 where there is none."""
    return max(60, min(shutil.get_terminal_size((100, 24)).columns, 120))


def _print(lines: Iterator[str]) -> None:
    for line in lines:
        typer.echo(line)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    del version


@app.command()
def demo(
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to serve on; 0 finds a free one.")] = 8000,
) -> None:
    """Serve a fresh demonstration record, with the address and a key printed."""
    from service.db.migrate import upgrade
    from service.db.transactions import Store
    from service.demonstration.workflow import load
    from service.keys.queries import make

    port = port or _free_port()
    _refuse_taken("127.0.0.1", port)
    folder = Path(tempfile.mkdtemp(prefix="upslope-demo-"))
    settings = Settings(database_url=f"sqlite:///{folder / 'demonstration.db'}")
    with _told():
        upgrade(settings)
        store = Store(settings)
        with Progress(console=_errors, transient=True) as progress:
            task = progress.add_task("Loading invented tests", total=None)
            count = load(store, told=lambda done, of: progress.update(task, completed=done, total=of))
        with store.write("demo") as transaction:
            _, key = make(transaction, name="demonstration", scope="admin")
        store.close()
    typer.echo(f"Demonstration record with {count} invented tests in {settings.sqlite_path}")
    typer.echo(f"Address  http://127.0.0.1:{port}   guide at /guide, API reference at /docs")
    typer.echo(f"Key      {key}")
    typer.echo(f"Try      curl -H 'Authorization: Bearer {key}' http://127.0.0.1:{port}/v1/subjects")
    typer.echo("Stop with Ctrl-C; the record stays in that folder until you delete it.")
    sys.stdout.flush()
    _serve(settings, "127.0.0.1", port, workers=1)


def _free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return cast("int", probe.getsockname()[1])


def _refuse_taken(host: str, port: int) -> None:
    """Say at once that an address cannot be had, before anything is migrated or loaded."""
    import socket

    try:
        socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET).close()
    except OSError as error:
        _fail(f"Cannot listen on {host}:{port}: {error.strerror or error}. Choose another with --port.")


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535)] = 8000,
    workers: Annotated[int, typer.Option(min=1, max=64, help="Processes.")] = 1,
) -> None:
    """Serve the record; an empty or older database is brought to the newest schema first."""
    from service.db.migrate import upgrade

    settings = _settings()
    _refuse_taken(host, port)
    with _told():
        typer.echo(upgrade(settings))
    typer.echo(f"Serving at http://{host}:{port}   guide at /guide, API reference at /docs")
    sys.stdout.flush()
    _serve(settings, host, port, workers)


def _serve(settings: Settings, host: str, port: int, workers: int) -> None:
    import uvicorn

    from service.early import Early

    if workers == 1:
        uvicorn.run(
            Early(settings),
            host=host,
            port=port,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=_LAST_ANSWERS_S,
        )
        return
    from service.http.metrics import FOLDER_VARIABLE

    with tempfile.TemporaryDirectory(prefix="upslope-numbers-") as folder:
        # In it the processes put their numbers together: whichever is asked for /metrics answers for all.
        os.environ[FOLDER_VARIABLE] = folder
        uvicorn.run(
            "service.early:from_environment",
            factory=True,
            host=host,
            port=port,
            workers=workers,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=_LAST_ANSWERS_S,
        )


@app.command()
def migrate() -> None:
    """Bring the database to the newest schema; a SQLite database with data is copied beside itself first."""
    from service.db.migrate import upgrade

    with _told():
        typer.echo(upgrade(_settings()))


@app.command()
def backup(file: Annotated[Path, typer.Argument(help="Where the copy goes; must not exist.")]) -> None:
    """Copy the record while it is in use, check the copy, and note in the record that it was made."""
    from service.db.migrate import copy_sqlite
    from service.upkeep.workflow import note_copy

    settings = _settings()
    if settings.sqlite_path is None:
        _fail("A PostgreSQL record is backed up with PostgreSQL's own tools (pg_dump).")
    if not Path(settings.sqlite_path).exists():
        _fail(f"There is no record at {settings.sqlite_path}.")
    if file.exists():
        _fail(f"{file} exists; name a new file.")
    begun_at = datetime.now(UTC)
    with _told():
        copy_sqlite(Path(settings.sqlite_path), file)
    typer.echo(f"Copied to {file} and checked.")
    if (why := note_copy(settings, file, begun_at)) is not None:
        _errors.print(f"The copy is not noted in the record: {why}", markup=False, soft_wrap=True)


@app.command()
def restore(
    file: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, help="A copy made by 'upslope backup'.")
    ],
) -> None:
    """Put a checked copy in the place of the record; the record that was there is kept beside it. Stop the service first."""
    from service.db.migrate import restore_sqlite

    settings = _settings()
    if settings.sqlite_path is None:
        _fail("A PostgreSQL record is restored with PostgreSQL's own tools (pg_restore).")
    with _told():
        typer.echo(restore_sqlite(file, Path(settings.sqlite_path)))


@app.command()
def move(
    target: Annotated[
        str,
        typer.Argument(help="sqlite:///FILE or postgresql+psycopg://...: an empty database, or a new file."),
    ],
) -> None:
    """Move the record into another database, every row compared; the one it comes from stays as it is."""
    from pydantic import ValidationError

    from service.moving.workflow import move as move_record

    source = _settings()
    try:
        into = source.model_copy(update={"database_url": Settings(database_url=target).database_url})
    except ValidationError as error:
        _fail(f"{target}: {error.errors()[0]['msg']}")
    with _told(), Progress(console=_errors, transient=True) as progress:
        task = progress.add_task("Moving", total=None)
        moved = move_record(
            source,
            into,
            told=lambda table, done, of: progress.update(
                task, description=f"Moving {table}", total=of, completed=done
            ),
        )
    total = sum(moved.rows.values())
    typer.echo(f"Moved {total} rows of {len(moved.rows)} tables to {into.shown_url}; every row was compared.")
    typer.echo("The record it came from is as it was; set UPSLOPE_DATABASE_URL to go on with the new one.")


@app.command()
def settings() -> None:
    """Print every setting with its value here and its meaning."""
    current = _settings()
    table = Table("Variable", "Here", "Meaning")
    for one in Settings.described():
        name = one["name"].removeprefix("UPSLOPE_").lower()
        # Never the password of a database.
        value = current.shown_url if name == "database_url" else getattr(current, name)
        table.add_row(one["name"], repr(value), one["description"])
    Console(highlight=False).print(table)


@app.command()
def openapi(
    file: Annotated[Path, typer.Argument(dir_okay=False, help="Where --write puts it.")] = Path(
        "openapi/openapi.json"
    ),
    write: Annotated[bool, typer.Option("--write", help="Write it to the file instead.")] = False,
) -> None:
    """Print or write the OpenAPI document."""
    from service.app import openapi_text

    text = openapi_text()
    if not write:
        typer.echo(text, nl=False)
        return
    with _told():
        file.write_text(text, encoding="utf-8")
    typer.echo(f"Wrote {file}.")


@app.command()
def check() -> None:
    """Check the record: integrity, foreign keys, schema, audit chain, results whose inputs changed, catalogues."""
    from service.upkeep.workflow import run_checks

    settings = _settings()
    with _told():
        outcomes = run_checks(settings)
    for outcome in outcomes:
        typer.echo(f"{'ok    ' if outcome.passed else 'FAILED'}  {outcome.name}: {outcome.detail}")
    if not all(outcome.passed for outcome in outcomes):
        raise typer.Exit(1)


@keys_app.command("create")
def create_key(
    name: Annotated[str, typer.Argument(help="What the key is called in the audit.")],
    scope: Annotated[str, typer.Option(help="admin, tester or reader.")],
    subject: Annotated[
        list[str] | None, typer.Option(help="Code of a subject it is limited to; may be repeated.")
    ] = None,
    identity: Annotated[bool, typer.Option("--identity", help="A reader that may see names.")] = False,
    expires: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Last day it is valid.")
    ] = None,
) -> None:
    """Make a key; it alone is printed on standard output, once."""
    from service.http.keys import KeyScope
    from service.keys.queries import make

    if scope not in get_args(KeyScope):
        raise typer.BadParameter("must be admin, tester or reader", param_hint="--scope")
    until = None if expires is None else expires.replace(hour=23, minute=59, second=59, tzinfo=UTC)
    with _record() as store, store.write("command line") as transaction:
        _, key = make(
            transaction,
            name=name,
            scope=cast("KeyScope", scope),
            subject_codes=subject or None,
            identity=identity,
            expires_at=until,
        )
    typer.echo(key)


@keys_app.command("list")
def list_keys() -> None:
    """List the keys, without their secrets."""
    from service.keys.queries import listed

    with _record() as store, store.read() as session:
        found = listed(session)
    table = Table("Name", "Scope", "Subjects", "Names", "Last used", "Expires", "Revoked")
    for key in found:
        table.add_row(
            key.name,
            key.scope,
            "all" if key.subject_codes is None else ", ".join(key.subject_codes),
            "yes" if key.identity or key.scope != "reader" else "no",
            "never" if key.last_used_at is None else f"{key.last_used_at:%Y-%m-%d %H:%M}",
            "never" if key.expires_at is None else f"{key.expires_at:%Y-%m-%d}",
            "" if key.revoked_at is None else f"{key.revoked_at:%Y-%m-%d %H:%M}",
        )
    Console(highlight=False).print(table)


@keys_app.command("rotate")
def rotate_key(
    name: str,
    overlap_hours: Annotated[
        float, typer.Option(min=0, max=720, help="How long the key before works on; 0 ends it at once.")
    ] = 0.0,
) -> None:
    """Give a key another secret, and print it alone; name, scope and subjects stay."""
    from service.keys.queries import rotate

    with _record() as store, store.write("command line") as transaction:
        _, secret = rotate(transaction, name, overlap_hours=overlap_hours)
    typer.echo(secret)


@keys_app.command("revoke")
def revoke_key(name: str) -> None:
    """Take a key out of use, at once."""
    from service.keys.queries import revoke

    with _record() as store, store.write("command line") as transaction:
        revoke(transaction, name)
    typer.echo(f"Revoked {name}.")


def _columns(text: str | None) -> dict[str, Any] | None:
    """The value of --columns: JSON, or ``header=quantity[:unit]`` parts separated by semicolons."""
    if text is None:
        return None
    if text.lstrip().startswith("{"):
        try:
            return cast("dict[str, Any]", json.loads(text))
        except ValueError as error:
            raise typer.BadParameter(f"is not JSON: {error}", param_hint="--columns") from error
    answer: dict[str, Any] = {}
    for part in text.split(";"):
        header, equals, choice = part.partition("=")
        if not equals:
            raise typer.BadParameter(
                "takes header=quantity:unit;header=quantity:unit", param_hint="--columns"
            )
        quantity, _, unit = choice.strip().partition(":")
        answer[header.strip()] = {"quantity": quantity, "unit": unit or None} if quantity else None
    return answer


def _one_of(text: str | None, kind: Any, option: str) -> Any:
    if text is not None and text not in get_args(kind):
        raise typer.BadParameter(f"must be one of {', '.join(get_args(kind))}", param_hint=option)
    return text


_File = Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="CSV or XLSX.")]
_ModeOption = Annotated[str, typer.Option(help="treadmill, cycle, arm, row, ski, step, walk or run.")]
_ProcessesOption = Annotated[
    int | None,
    typer.Option(min=1, max=64, help="Processes that share the work; one for each core if not given."),
]
_ColumnsOption = Annotated[
    str | None,
    typer.Option(
        help="What columns are, where the file does not say: 'VO2=vo2_ml_min:L/min;X=' (an empty one is left out), or JSON."
    ),
]


@app.command()
def analyse(
    file: _File,
    mode: _ModeOption,
    sex: Annotated[str | None, typer.Option(help="female or male, for reference tables.")] = None,
    age: Annotated[float | None, typer.Option(min=0, max=120, help="Years.")] = None,
    birth_date: Annotated[datetime | None, typer.Option(formats=["%Y-%m-%d"])] = None,
    on: Annotated[
        datetime | None,
        typer.Option("--date", formats=["%Y-%m-%d"], help="Day of the test, with --birth-date."),
    ] = None,
    mass: Annotated[float | None, typer.Option(min=10, max=400, help="Body mass, kg.")] = None,
    height: Annotated[float | None, typer.Option(min=50, max=260, help="Height, cm.")] = None,
    columns: _ColumnsOption = None,
    sheet: Annotated[str | None, typer.Option(help="Sheet of a workbook.")] = None,
    exercise: Annotated[
        tuple[float, float] | None,
        typer.Option(metavar="START END", help="Seconds at which exercise began and ended."),
    ] = None,
    stop_reason: Annotated[
        str | None,
        typer.Option(help="exhaustion, legs, breath, symptom, target_reached, tester, equipment, ..."),
    ] = None,
    purpose: Annotated[str, typer.Option(help="maximal, submaximal, verification or other.")] = "maximal",
    shape: Annotated[
        str | None, typer.Option(help="step, ramp, constant, field or other; inferred if left out.")
    ] = None,
    resting_heart_rate: Annotated[
        float | None, typer.Option(min=20, max=200, help="Beats/min, for ranges by heart-rate reserve.")
    ] = None,
    limits_heart_rate: Annotated[
        bool,
        typer.Option(
            "--limits-heart-rate",
            help="A medication limits heart rate: nothing is judged or estimated by it.",
        ),
    ] = False,
    handrail: Annotated[
        bool, typer.Option("--handrail", help="The handrail was held: speed and grade tell no cost.")
    ] = False,
    pressure: Annotated[
        float | None, typer.Option(min=300, max=850, help="Barometric pressure of the room, mmHg.")
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(min=-20, max=60, help="Temperature of the room, °C.")
    ] = None,
    effort_rules: Annotated[str, typer.Option(help="Rule set of effort.")] = "default",
    peak_convention: Annotated[str, typer.Option(help="How the peak is averaged.")] = "time_weighted",
    peak_window: Annotated[
        float, typer.Option(min=1, max=600, help="Seconds, or breaths for a convention of breaths.")
    ] = 30,
    aberrant_breaths: Annotated[
        str, typer.Option(help="Rule that leaves out single breaths out of line: local_4_sd or none.")
    ] = "local_4_sd",
    as_json: Annotated[bool, typer.Option("--json", help="Print the analysis object.")] = False,
    chart: Annotated[Path | None, typer.Option(help="Draw the uptake into this SVG or PNG file.")] = None,
) -> None:
    """Judge one file without a database: verdict, numbers, findings."""
    from service.analysis.peaks import Convention
    from service.analysis.series import Mode, Purpose, Sex, Shape, StopReason
    from service.first_look.workflow import OneFile, analyse_file
    from service.outlets.text import analysis_lines

    _check_chart(chart)
    if (birth_date is None) != (on is None):
        raise typer.BadParameter("--birth-date and --date go together", param_hint="--birth-date")
    if birth_date is not None and age is not None:
        raise typer.BadParameter("give --age, or --birth-date with --date", param_hint="--age")
    question = OneFile(
        mode=_one_of(mode, Mode, "--mode"),
        sex=_one_of(sex, Sex, "--sex"),
        age_years=age,
        birth_date=None if birth_date is None else birth_date.date(),
        date=None if on is None else on.date(),
        body_mass_kg=mass,
        height_cm=height,
        columns=_columns(columns),
        sheet=sheet,
        exercise=exercise,
        stop_reason=_one_of(stop_reason, StopReason, "--stop-reason"),
        purpose=_one_of(purpose, Purpose, "--purpose"),
        shape=_one_of(shape, Shape, "--shape"),
        resting_heart_rate_bpm=resting_heart_rate,
        limits_heart_rate=limits_heart_rate,
        handrail_support=handrail or None,
        barometric_pressure_mmhg=pressure,
        temperature_c=temperature,
        effort_rules=effort_rules,
        peak_convention=_one_of(peak_convention, Convention, "--peak-convention"),
        peak_window=peak_window,
        aberrant_breaths=aberrant_breaths,
    )
    with _told():
        document, columns_of_series = analyse_file(file.read_bytes(), file.name, question)
    if chart is not None:
        from service.charts.uptake import uptake_spec

        _draw(uptake_spec(document, columns_of_series), chart)
    if as_json:
        typer.echo(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
    else:
        _print(analysis_lines(document, width=_width()))


def _check_chart(chart: Path | None) -> None:
    if chart is not None and chart.suffix.lower() not in {".svg", ".png"}:
        raise typer.BadParameter("must end in .svg or .png", param_hint="--chart")


def _draw(spec: dict[str, Any], chart: Path) -> None:
    from service.charts.render import render_png, render_svg

    with _told():
        if chart.suffix.lower() == ".png":
            chart.write_bytes(render_png(spec))
        else:
            chart.write_text(render_svg(spec), encoding="utf-8")


@app.command("import")
def import_files(
    files: Annotated[
        list[Path] | None, typer.Argument(exists=True, dir_okay=False, help="CSV or XLSX, one test each.")
    ] = None,
    subject: Annotated[
        str | None, typer.Option(help="Code of the subject; made where there is none.")
    ] = None,
    visit: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M"], help="Day of the visit; made where there is none."
        ),
    ] = None,
    mode: Annotated[
        str | None, typer.Option(help="treadmill, cycle, arm, row, ski, step, walk or run.")
    ] = None,
    mass: Annotated[float | None, typer.Option(min=10, max=400, help="Body mass, kg.")] = None,
    sex: Annotated[str | None, typer.Option(help="Of a new subject.")] = None,
    birth_date: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Of a new subject.")
    ] = None,
    columns: _ColumnsOption = None,
    protocol: Annotated[str | None, typer.Option(help="Id of the protocol.")] = None,
    stop_reason: Annotated[str | None, typer.Option(help="exhaustion, legs, breath, symptom, ...")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Read a known file anew into its test.")] = False,
    manifest: Annotated[
        Path | None,
        typer.Option(
            exists=True, dir_okay=False, help="CSV with subject, date, mode, body_mass_kg, file, ..."
        ),
    ] = None,
    processes: _ProcessesOption = None,
) -> None:
    """Import files into the record: some of one visit, or years of them by a manifest. Run again, nothing is doubled."""
    from service.workers import cores, get_ready

    processes = processes or cores()
    if processes > 1 and (manifest is not None or len(files or []) > 1):
        get_ready("service.batches.workflow")
    from service.analysis.series import Mode, Sex
    from service.batches.workflow import FileAt, Outcome, jobs_of_files, jobs_of_manifest, run_jobs
    from service.imports.workflow import Source

    if (manifest is None) == (not files):
        raise typer.BadParameter("give files, or --manifest", param_hint="FILE")
    with _told():
        if manifest is not None:
            folder = manifest.parent
            jobs = jobs_of_manifest(
                Source(manifest.read_bytes(), manifest.name), lambda name: FileAt(folder / name)
            )
        else:
            if subject is None or visit is None or mode is None:
                raise typer.BadParameter("files need --subject, --visit and --mode", param_hint="FILE")
            jobs = jobs_of_files(
                files or [],
                subject=subject,
                visit=visit,
                mode=_one_of(mode, Mode, "--mode"),
                body_mass_kg=mass,
                sex=_one_of(sex, Sex, "--sex"),
                birth_date=None if birth_date is None else birth_date.date(),
                columns=_columns(columns),
                protocol_id=protocol,
                stop_reason=stop_reason,
            )
    outcomes: list[Outcome] = []
    with (
        _record() as store,
        Progress(console=_errors, transient=True, disable=len(jobs) < 2) as progress,
    ):
        task = progress.add_task("Importing", total=len(jobs))
        for outcome in run_jobs(store, "command line", jobs, replace=replace, processes=processes):
            outcomes.append(outcome)
            progress.advance(task)
    for outcome in outcomes:
        typer.echo(outcome.line)
    refused = [outcome for outcome in outcomes if outcome.refused]
    if len(outcomes) > 1:
        stored = sum(outcome.stored for outcome in outcomes)
        typer.echo(
            f"{stored} stored, {len(outcomes) - stored - len(refused)} known already, {len(refused)} refused."
        )
    if refused:
        for outcome in refused:
            _errors.print(f"Refused {outcome.name}: {outcome.reason}", markup=False, soft_wrap=True)
        raise typer.Exit(1)


@app.command()
def trend(
    code: Annotated[str, typer.Argument(help="Code of the subject.")],
    quantity: Annotated[str, typer.Argument(help="Such as vo2_peak_ml_kg_min.")],
    as_csv: Annotated[bool, typer.Option("--csv", help="Flat rows.")] = False,
    chart: Annotated[Path | None, typer.Option(help="Draw the trend into this SVG or PNG file.")] = None,
) -> None:
    """Print one result of a subject over time, with what is change and what is chance."""
    from service.outlets.text import trend_lines
    from service.quantities import QUANTITIES
    from service.subjects.queries import by_code
    from service.trends.workflow import flat_csv, trend_chart, trend_of

    _check_chart(chart)
    if quantity not in QUANTITIES:
        raise typer.BadParameter(
            f"{quantity!r} is no quantity; GET /v1/quantities and the guide list them", param_hint="QUANTITY"
        )
    with _record() as store:
        with store.read() as session:
            subject = by_code(session, code)
        if subject is None:
            _fail(f"There is no subject {code!r}.")
        document = trend_of(store, subject.id, subject.public_id, quantity).as_dict()
        spec = None if chart is None else trend_chart(store, subject.id, document)
    if chart is not None and spec is not None:
        _draw(spec, chart)
    if as_csv:
        typer.echo(flat_csv(document), nl=False)
    else:
        _print(trend_lines(document, width=_width()))


@app.command("export")
def export_data(
    cohort: Annotated[str | None, typer.Argument(help="Name or id of the cohort; or --all.")] = None,
    to: Annotated[
        Path | None, typer.Option(file_okay=False, help="A new or empty folder; needed.", show_default=False)
    ] = None,
    form: Annotated[str, typer.Option("--format", help="datapackage, csv or parquet.")] = "datapackage",
    profile: Annotated[
        str,
        typer.Option(
            help="coded: no names; deidentified: no dates, free text, places or codes either; identified: with names."
        ),
    ] = "coded",
    everything: Annotated[bool, typer.Option("--all", help="Everybody in the record.")] = False,
) -> None:
    """Export a cohort, or everybody, as tidy tables for research."""
    from service.exports.queries import cohort_by_name
    from service.exports.workflow import Question, export_folder
    from service.outlets.data_package import Format
    from service.outlets.tables import Profile

    if to is None:
        raise typer.BadParameter("names the folder that the files go to", param_hint="--to")
    if (cohort is None) == (not everything):
        raise typer.BadParameter("give a cohort, or --all", param_hint="COHORT")
    wanted = _one_of(form, Format, "--format"), _one_of(profile, Profile, "--profile")
    with _record() as store:
        cohort_pk = None
        if cohort is not None:
            with store.read() as session:
                cohort_pk = cohort_by_name(session, cohort)
            if cohort_pk is None:
                _fail(f"There is no cohort {cohort!r}.")
        with Progress(console=_errors, transient=True) as progress:
            task = progress.add_task("Exporting", total=None)
            made = export_folder(
                store,
                "command line",
                Question(cohort_pk, wanted[1], wanted[0]),
                to,
                told=lambda done, of: progress.update(task, completed=done, total=of),
            )
    typer.echo(
        f"{made.rows['subjects']} subjects, {made.rows['visits']} visits, {made.rows['tests']} tests, "
        f"{made.rows['intervals']} intervals, {made.rows['results']} results in {to} ({profile}). README.md says more."
    )
    if made.smallest_group is not None:
        typer.echo(
            f"De-identified is not anonymous: the person who is least like others shares sex and age group with "
            f"{made.smallest_group - 1} others."
        )


@app.command()
def reanalyse(
    everything: Annotated[
        bool,
        typer.Option(
            "--all",
            help="Every complete test, not only those analysed by an older version or with settings changed since.",
        ),
    ] = False,
    processes: _ProcessesOption = None,
) -> None:
    """Analyse tests anew that were analysed by an older version or with settings changed since, and say what changed."""
    from service.workers import cores, get_ready

    processes = processes or cores()
    if processes > 1:
        get_ready("service.upkeep.workflow")
    from service.upkeep.workflow import reanalyse_tests

    changed = 0
    with _record() as store, Progress(console=_errors, transient=True) as progress:
        task = progress.add_task("Analysing", total=None)
        done = 0
        for one in reanalyse_tests(store, "command line", everything=everything, processes=processes):
            done += 1
            progress.update(task, total=one.of, completed=done)
            if one.changed:
                changed += 1
                what = ", ".join(
                    f"{item['quantity']} {item['before']} -> {item['after']}" for item in one.changed
                )
                typer.echo(f"{one.test_id}: {what}")
    typer.echo(f"{done} tests analysed, {changed} with other results.")


@app.command()
def erase(
    code: Annotated[str, typer.Argument(help="Code of the person.")],
    basis: Annotated[
        str,
        typer.Option(
            help="asked_by_person, consent_withdrawn, retention_ended, entered_by_mistake or other; it stays in the audit."
        ),
    ],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask once more.")] = False,
) -> None:
    """Erase a person with all data, the content of the audit and the bytes of the file. It cannot be undone."""
    from service.errors import NotFound
    from service.privacy.schemas import Basis
    from service.privacy.workflow import erase as erase_person
    from service.subjects.queries import key_of_code

    known_basis: Basis = _one_of(basis, Basis, "--basis")
    with _record() as store:
        with store.read() as session:
            found = key_of_code(session, code)
        if found is None:
            raise NotFound(f"There is no person with the code {code!r}.")
        if not yes and typer.prompt(f"Type the code once more to erase {code}") != code:
            _fail("That is another code; nothing was erased.")
        told = erase_person(store, "command line", *found, basis=known_basis, code=code)
    rows = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in sorted(told.erased.items()))
    typer.echo(f"Erased {code}: {rows}; {told.audit_entries_emptied} entries of the audit emptied.")
    for line in told.remaining:
        typer.echo(line)


@app.command()
def retention() -> None:
    """List people whose last visit is longer ago than UPSLOPE_RETENTION_YEARS; nobody is erased by this."""
    from service.privacy.workflow import due_for_erasure

    with _record() as store:
        due = due_for_erasure(store)
        for one in due:
            typer.echo(f"{one.code}\t{one.last_kept}")
        years = store.settings.retention_years
    people = "1 person" if len(due) == 1 else f"{len(due)} people"
    _errors.print(
        f"{people} with nothing newer than {years} years. upslope erase CODE --basis retention_ended"
    )


if __name__ == "__main__":
    main()
