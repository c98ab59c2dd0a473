"""``emergence note``: write in the journal, undo, list, and carry notes in and out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import SEASON

if TYPE_CHECKING:
    from emergence.journal.entries import Kind, Note

KIND_NAMES = ("reading", "ice", "sighting")
lake_option = click.option("--lake", "lake", default="", help="lake_id or name; default: the lake of the last note.")
date_option = click.option("--date", "date", default="", help="YYYY-MM-DD, today or yesterday; default: today.")
from_option = click.option("--from", "file", default="", help="Take all rows of this CSV ('-': standard input).")


@click.group("note", context_settings={"help_option_names": ["-h", "--help"]})
def note_group() -> None:
    """Note what you measured and saw; every note is on the disk when the command says so.

    Notes go into SEASON/journal.sqlite and count beside readings.csv, ice.csv and sightings.csv; the same observation
    twice counts once.

    \b
    Examples:
      emergence note reading data_demo 13.5 --lake quennaby
      emergence note sighting data_demo damsel high swimming many --minutes 20
      emergence note undo data_demo
    """


@note_group.command("reading", context_settings={"ignore_unknown_options": True})
@click.argument("season", type=SEASON)
@click.argument("temperature", required=False, default="")
@lake_option
@date_option
@click.option("--depth", default="", help="How far below the surface: 0.5, 2ft.")
@click.option("--hour", default="", help="When: 14, 14.5 or 14:30.")
@click.option("--f", "fahrenheit", is_flag=True, help="The number is in °F.")
@from_option
@click.pass_context
def reading_command(
    ctx: click.Context,
    season: Path,
    temperature: str,
    lake: str,
    date: str,
    depth: str,
    hour: str,
    fahrenheit: bool,
    file: str,
) -> None:
    """Note a water temperature.

    A bare number is in the units that season.toml shows (°C and metres unless it says otherwise); 56F, 13.5C and 2ft
    say their own. With --from FILE.csv the columns are those of readings.csv.

    \b
    Examples:
      emergence note reading data_demo 13.5
      emergence note reading data_demo 56F --lake "Quennaby Water" --date yesterday --depth 2ft --hour 14:30
      emergence note reading data_demo --from thermometer.csv
    """
    with_unit = f"{temperature}F" if fahrenheit and not temperature.lower().endswith("f") else temperature
    cells = {"lake_id": lake, "date": date, "water_c": with_unit, "depth_m": depth, "hour": hour}
    _note_or_table(ctx, season, "reading", cells, file)


@note_group.command("ice")
@click.argument("season", type=SEASON)
@click.argument("event", required=False, default="")
@lake_option
@date_option
@from_option
@click.pass_context
def ice_command(ctx: click.Context, season: Path, event: str, lake: str, date: str, file: str) -> None:
    """Note the day on which ice came (on) or went (off).

    For insects, never for standing on. With --from FILE.csv the columns are those of ice.csv.

    \b
    Example:
      emergence note ice data_demo off --lake crannow --date 2026-04-28
    """
    _note_or_table(ctx, season, "ice", {"lake_id": lake, "date": date, "event": event}, file)


@note_group.command("sighting")
@click.argument("season", type=SEASON)
@click.argument("words", nargs=-1)
@lake_option
@date_option
@click.option("--minutes", default="", help="How long somebody looked.")
@click.option("--observer", default="", help="Who looked.")
@click.option("--note", "remark", default="", help="Anything else, in one line.")
@from_option
@click.pass_context
def sighting_command(
    ctx: click.Context,
    season: Path,
    words: tuple[str, ...],
    lake: str,
    date: str,
    minutes: str,
    observer: str,
    remark: str,
    file: str,
) -> None:
    """Note which insects you saw, or looked for and did not see.

    WORDS say which insect, its stage and how many: insects by id or trade name; stages young, mature, moving, pupa,
    empty_skin, adult, or words such as near bottom, high swimming, climbing, pupae hanging, shucks, adults flying; how
    many as none, few (default), many, or a number (10 and more are many). "Looked, saw none" is an observation: say
    none, and --minutes. With --from FILE.csv the columns are those of sightings.csv.

    \b
    Examples:
      emergence note sighting data_demo damsel high swimming many --minutes 20
      emergence note sighting data_demo traveller sedge adults flying none --minutes 45
    """
    from emergence.cli.noting import open_desk, split_sighting

    cells = {"lake_id": lake, "date": date, "minutes": minutes, "observer": observer, "note": remark}
    split = split_sighting(words, open_desk(season).known) if words else {}
    _note_or_table(ctx, season, "sighting", cells | split, file)


def _note_or_table(ctx: click.Context, season: Path, kind: Kind, cells: dict[str, str], file: str) -> None:
    """Write the note of a command line, or the rows of a table."""
    from emergence.cli.noting import ask_about, draft_of, open_desk, write
    from emergence.errors import WrongUseError

    desk = open_desk(season)
    if file:
        said = sorted(name for name, cell in cells.items() if cell)
        if said:
            raise WrongUseError(f"--from takes everything from the file; leave out {', '.join(said)}.")
        _import(ctx, season, file, kind)
        return
    entry = ask_about(draft_of(kind, cells, desk))
    if entry is None:
        click.echo("not noted", err=True)
        return
    write(desk, [entry], "command")


@note_group.command("import")
@click.argument("season", type=SEASON)
@click.argument("file")
@click.pass_context
def import_command(ctx: click.Context, season: Path, file: str) -> None:
    """Take notes from one CSV ('-': standard input).

    With the columns of readings.csv, ice.csv or sightings.csv all rows are of that kind. For all kinds in one table a
    column kind says reading, ice or sighting, and columns that do not apply are blank. Rows with a fault are listed and
    left out; when they are corrected, import the whole file again: what is noted already counts once.

    \b
    Examples:
      emergence note import data_demo notes.csv
      emergence note import data_demo my_notes/readings.csv
      emergence note export data_demo | emergence note import other_season -
    """
    _import(ctx, season, file, None)


def _import(ctx: click.Context, season: Path, file: str, kind: Kind | None) -> None:
    from emergence.cli.noting import open_desk, read_rows, shortened, write
    from emergence.journal.entries import Entry

    desk = open_desk(season)
    rows = read_rows(file, kind, desk)
    good = [(row.where, row.draft) for row in rows if isinstance(row.draft, Entry)]
    refused = [f"{row.where}, {row.draft[0].sentence()}" for row in rows if not isinstance(row.draft, Entry)]
    source = "import " + ("standard input" if file == "-" else Path(file).name)
    added = write(desk, [entry for _, entry in good], source) if good else []
    doubtful = []
    for (where, entry), done in zip(good, added, strict=True):
        if done.against:
            refused.append(f"{where}: note {done.id} gives the opposite ice event for the same lake and day.")
        elif done.new and entry.doubt:
            doubtful.append(f"kept, but marked as doubtful: {where}, note {done.id}: {entry.doubt}")
    for line in shortened(doubtful, "doubtful ones; 'emergence note list SEASON --last 0' marks them"):
        click.echo(line, err=True)
    new, known = sum(done.new for done in added), sum(not done.new and not done.against for done in added)
    if len(added) != 1 or refused:
        click.echo(f"{new} noted, {known} noted before (counted once), {len(refused)} refused")
    for sentence in refused:
        click.echo(f"refused: {sentence}", err=True)
    if refused:
        ctx.exit(1)


@note_group.command("undo")
@click.argument("season", type=SEASON)
@click.argument("number", type=int, required=False)
def undo_command(season: Path, number: int | None) -> None:
    """Undo your last note (or your last import as a whole), or the note of a NUMBER.

    An undone note no longer counts; it stays in the journal and is never deleted.

    \b
    Examples:
      emergence note undo data_demo
      emergence note undo data_demo 12
    """
    from emergence.cli.noting import created, in_words, lake_names, now, season_intake, shortened, writer
    from emergence.errors import WrongUseError
    from emergence.journal.notes import open_journal
    from emergence.journal.store import there

    season_intake(season)
    if not there(season):
        raise WrongUseError("this season has no journal yet, so there is nothing to undo.")
    names, settings = lake_names(season)
    with open_journal(season, now=now()) as journal:
        undone = journal.undo_last(writer(), created()) if number is None else [journal.undo(number, created())]
        said = [f"undone, note {note.id}: {in_words(note.body, settings, names)}" for note in undone]
        for line in shortened(said, "of the same import"):
            click.echo(line)


@note_group.command("list")
@click.argument("season", type=SEASON)
@click.option("--lake", default="", help="Only this lake: lake_id or name.")
@click.option("--kind", type=click.Choice(KIND_NAMES), help="Only this kind.")
@click.option("--undone", is_flag=True, help="Undone notes too.")
@click.option("--last", type=click.IntRange(0), default=20, show_default=True, help="How many; 0 means all.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON instead of text.")
def list_command(season: Path, lake: str, kind: str | None, undone: bool, last: int, as_json: bool) -> None:
    """List the latest notes, oldest first.

    \b
    Example:
      emergence note list data_demo --lake quennaby --last 5
    """
    from emergence.cli.noting import asked_lake, lake_names, marks, season_intake, what
    from emergence.dates import to_date
    from emergence.journal.notes import read_notes

    season_intake(season)
    kept = read_notes(season)
    lake = asked_lake(season, lake, {n.body.lake_id for n in kept})
    notes = [n for n in kept if (undone or n.stands) and lake in ("", n.body.lake_id)]
    notes = [n for n in notes if kind in (None, n.kind)]
    shown = notes[-last:] if last else notes
    if as_json:
        click.echo(json.dumps({"format": 1, "notes": [_as_json(n) for n in shown]}, ensure_ascii=False, indent=2))
        return
    _, settings = lake_names(season)
    for n in shown:
        body = n.body
        click.echo(f"{n.id:>5}  {to_date(body.day)}  {body.lake_id:<14} {what(body, settings)}{marks(n)}")
    if len(notes) > len(shown):
        click.echo(f"{len(notes) - len(shown)} earlier ones; --last 0 shows all", err=True)
    if not notes:
        click.echo("no notes", err=True)


def _as_json(note: Note) -> dict[str, object]:
    from emergence.journal.entries import COLUMNS, cells_of

    cells = dict(zip(COLUMNS[note.kind], cells_of(note.body), strict=True))
    stamp = {"created": note.stamp.created, "source": note.stamp.source, "writer": note.stamp.writer}
    about = {"doubt": note.doubt, "confirmed": note.confirmed, "undone": note.undone}
    return {"id": note.id, "kind": note.kind, **cells, "about": {**stamp, **about}}


@note_group.command("export")
@click.argument("season", type=SEASON)
@click.option(
    "--kind", type=click.Choice(KIND_NAMES), help="Only this kind, as readings.csv, ice.csv or sightings.csv."
)
@click.option("--out", type=click.Path(path_type=Path), help="Write readings.csv, ice.csv and sightings.csv there.")
@click.pass_context
def export_command(ctx: click.Context, season: Path, kind: Kind | None, out: Path | None) -> None:
    """Write the standing notes as plain CSV.

    To stdout as one table with a column kind, or with --out DIR as readings.csv, ice.csv and sightings.csv;
    `emergence note import` takes back either. Files that are there are never overwritten. Of a damaged journal it
    writes what can be read, and ends with exit code 1.

    \b
    Examples:
      emergence note export data_demo > notes.csv
      emergence note export data_demo --out my_notes
    """
    from emergence.cli.noting import season_intake
    from emergence.journal.errors import DamagedJournalError
    from emergence.journal.notes import read_notes
    from emergence.journal.plain_files import kind_csv, union_csv
    from emergence.journal.rescue import salvage

    season_intake(season)
    damage = ""
    try:
        notes = read_notes(season)
    except DamagedJournalError as error:
        notes, damage = salvage(season), str(error)
    if out is not None:
        _export_files(notes, out, kind)
    else:
        click.echo(kind_csv(notes, kind) if kind else union_csv(notes), nl=False)
    if damage:
        click.echo(f"emergence: {damage}\n{len(notes)} notes could be read and were written.", err=True)
        ctx.exit(1)


def _export_files(notes: tuple[Note, ...], out: Path, kind: Kind | None) -> None:
    from emergence.errors import WrongUseError
    from emergence.journal.entries import KINDS
    from emergence.journal.plain_files import FILES, kind_csv
    from emergence.report.folders import atomic_text

    kinds = [k for k in KINDS if kind in (None, k)]
    taken = [str(out / FILES[k]) for k in kinds if (out / FILES[k]).exists()]
    if taken:
        raise WrongUseError(f"nothing was written: {', '.join(taken)} is there already. Name another folder.")
    for k in kinds:
        atomic_text(out / FILES[k], kind_csv(notes, k))
    click.echo(f"written to {out}", err=True)


@note_group.command("restore")
@click.argument("season", type=SEASON)
def restore_command(season: Path) -> None:
    """Make a sound journal of a damaged or missing one.

    Joins what can be read of it with the backup copy (journal.backup.sqlite, made once a day). The damaged file is kept
    as journal.damaged-MOMENT.sqlite. A sound journal that lacks nothing is left as it is.

    \b
    Example:
      emergence note restore data_demo
    """
    from emergence.cli.noting import now, season_intake
    from emergence.journal.rescue import restore

    season_intake(season)
    done = restore(season, now=now())
    if not done.changed:
        click.echo(f"the journal is sound: {done.notes} notes; nothing was changed")
        return
    click.echo(f"new journal: {done.notes} notes, {done.from_copies} of them from copies only")
    if done.aside is not None:
        click.echo(f"the old file is kept as {done.aside.name}", err=True)
