"""The command line: one group, one file per command, errors as plain sentences."""

from __future__ import annotations

import io
import os
import sys

import click

from emergence import __version__
from emergence.cli.daysheet import daysheet_command
from emergence.cli.explain import explain_command
from emergence.cli.forecast import forecast_command
from emergence.cli.hindcast import hindcast_command
from emergence.cli.learn import learn_command
from emergence.cli.note import note_group
from emergence.cli.regions import regions_command
from emergence.cli.taxa import taxa_command
from emergence.cli.trips import trips_command
from emergence.cli.water import water_command
from emergence.cli.weather import weather_group
from emergence.errors import EmergenceError


class PlainGroup(click.Group):
    """A group that turns every error into a message and an exit code; no traceback reaches a user."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; see design of the exit codes in the README."""
        _escape_what_cannot_be_shown()
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except EmergenceError as error:
            click.echo(f"emergence: {error}", err=True)
            ctx.exit(error.exit_code)
        except BrokenPipeError:
            sys.stdout = open(os.devnull, "w")
            ctx.exit(0)
        except (OSError, MemoryError) as error:
            click.echo(f"emergence: {_os_words(error)}", err=True)
            ctx.exit(1)
        except Exception as error:
            if os.environ.get("EMERGENCE_DEBUG"):
                raise
            click.echo(
                f"emergence: an error of the program itself, not of your files: {type(error).__name__}: {error}\n"
                "Set EMERGENCE_DEBUG=1 to see where, and report it with your season folder.",
                err=True,
            )
            ctx.exit(1)


def _escape_what_cannot_be_shown() -> None:
    """Print letters that the encoding of the terminal, or of the file behind ``>``, lacks as escapes."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")


def _os_words(error: OSError | MemoryError) -> str:
    if isinstance(error, MemoryError):
        return "not enough memory; try fewer lakes (--lake) or fewer replicates in season.toml"
    where = f" ({error.filename})" if error.filename else ""
    return f"{error.strerror or error}{where}. Check the path, the free space and the permissions"


@click.group(cls=PlainGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, "--version", prog_name="emergence")
def main() -> None:
    """Tell when each lake's insects will move.

    Daily air temperature becomes surface water and ice, degree-days, and for every lake and insect a window with
    honest chances. A season is one folder of plain files; see the README for how to make one.

    \b
    Example:
      emergence forecast data_demo
    """


main.add_command(forecast_command)
main.add_command(water_command)
main.add_command(regions_command)
main.add_command(note_group)
main.add_command(learn_command)
main.add_command(hindcast_command)
main.add_command(taxa_command)
main.add_command(explain_command)
main.add_command(daysheet_command)
main.add_command(trips_command)
main.add_command(weather_group)
