"""The command line: parses, calls, prints. No pixels, no templates; heavy imports happen inside the commands."""

from __future__ import annotations

import atexit
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import NoReturn

import click

from builder import __version__
from builder.capture.cli import plan
from builder.errors import KickwheelError
from builder.terminal import Terminal, hush_libraries, show_error

FOUND, BAD_INPUT, BROKEN, INTERRUPTED = 1, 2, 70, 130

quiet_option = click.option("-q", "--quiet", is_flag=True, help="Print errors only.")
catalog_argument = click.argument("catalog", type=click.Path(path_type=Path))
item_option = click.option("--item", "items", multiple=True, metavar="SLUG", help="This item only; can be repeated.")
jobs_option = click.option(
    "-j", "--jobs", type=click.IntRange(1, 256), metavar="N", help="Processes at work; default: one a core."
)


class Share(click.ParamType):
    """'3/8' -> (3, 8)."""

    name = "share"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        if isinstance(value, tuple):
            return value
        share, slash, count = str(value).partition("/")
        if not (slash and share.isdecimal() and count.isdecimal() and 1 <= int(share) <= int(count)):
            self.fail(f"'{value}' isn't a share such as 3/8, the third of eight.", param, ctx)
        return int(share), int(count)


class Commands(click.Group):
    """Commands in the order of the job, and near names for a typing error."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        order = ["new", "plan", "sort", "check", "build", "serve", "finish", "proof", "completion"]
        return sorted(self.commands, key=lambda name: order.index(name) if name in order else len(order))


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="kickwheel")
@click.pass_context
def kickwheel(context: click.Context) -> None:
    """Turns folders of turntable photos into a static site of product spins.

    CATALOG is a folder that holds catalog.toml, or that file.
    """
    context.obj = _plan_keys  # `plan` stands alone and can't read a catalogue itself


def _plan_keys(catalog: Path, *, needed: bool) -> dict:
    from builder.catalog import read_plan

    return read_plan(catalog, needed=needed)


@kickwheel.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@quiet_option
def new(folder: Path, quiet: bool) -> None:
    """Start a catalogue folder with one commented catalog.toml."""
    from builder.commands.start import start_catalog

    file = start_catalog(folder)
    Terminal(quiet=quiet).say(f"Wrote {file}. Put each item's photos into a folder beside it, then edit that file.")


kickwheel.add_command(plan)


@kickwheel.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--pause", type=click.FloatRange(min=0, min_open=True), metavar="SECONDS",
              help="Pause that parts two spins; default: judged from the usual pace.")  # fmt: skip
@quiet_option
def sort(folder: Path, pause: float | None, quiet: bool) -> None:
    """Propose spins in a camera roll, and print catalogue entries for them.

    Photos are split where more time than usual passed between two of them. They stay where they are.
    """
    from builder.commands.start import sort_roll

    sorted_roll = sort_roll(folder, pause)
    terminal = Terminal(quiet=quiet)
    for note in sorted_roll.notes:
        terminal.note(note)
    click.echo("\n\n".join(sorted_roll.entries))


@kickwheel.command()
@click.argument("source", metavar="CATALOG_OR_FOLDER", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the measurements as JSON.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write the check report, one page that opens from disk.")  # fmt: skip
@jobs_option
@quiet_option
def check(source: Path, as_json: bool, html: Path | None, jobs: int | None, quiet: bool) -> None:
    """Measure the frames and say what to shoot again while the set still stands.

    CATALOG_OR_FOLDER is a catalogue, just a folder of photos, or a film of the turn. Exit status 1: something must be shot again.
    """
    from builder.commands.check import run_check

    sys.exit(run_check(source, Terminal(quiet=quiet), jobs=jobs, as_json=as_json, html=html))


@kickwheel.command()
@catalog_argument
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the site goes; default: site/ in the catalogue's folder.",
)
@item_option
@click.option("--force", is_flag=True, help="Do all work again, whatever the cache holds.")
@click.option("--strict", is_flag=True, help="Stop before writing when a frame must be shot again.")
@click.option("--explain", metavar="SLUG", help="Also write pictures of how that item was finished, to explain-SLUG/.")
@click.option(
    "--shard",
    type=Share(),
    metavar="K/N",
    help="Make the results of the K-th of N shares of the items, and write no site.",
)
@click.option("--store", "stores", type=click.Path(path_type=Path, file_okay=False), multiple=True, metavar="DIR",
              help="Where --shard puts its results; without --shard, where to find such results (can be repeated).")  # fmt: skip
@jobs_option
@quiet_option
def build(catalog: Path, out: Path | None, items: tuple[str, ...], force: bool, strict: bool, explain: str | None,
          shard: tuple[int, int] | None, stores: tuple[Path, ...], jobs: int | None, quiet: bool) -> None:  # fmt: skip
    """Build the site.

    With --item only these items are built; all others stay as last built, and stay listed. A big catalogue can be
    worked on by several machines: each makes one share with --shard and --store, and a last build joins the stores.
    """
    from builder.building.job import BuildRequest, already_built
    from builder.commands.report import print_build

    terminal = Terminal(quiet=quiet)
    request = BuildRequest(
        catalog, out, items, force=force, strict=strict, explain=explain, jobs=jobs, shard=shard, stores=stores
    )
    result = already_built(request)
    if result is None:
        from builder.building.build import build_site

        result = build_site(request, terminal)
    sys.exit(print_build(result, terminal))


@kickwheel.command()
@catalog_argument
@item_option
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Where the frames go.")
@click.option("--format", "file_format", type=click.Choice(["png", "webp", "jpeg"]), default="png", show_default=True)
@jobs_option
@quiet_option
def finish(catalog: Path, items: tuple[str, ...], out: Path, file_format: str, jobs: int | None, quiet: bool) -> None:
    """Write the finished frames as files, full size, with mattes and finish.json."""
    from builder.commands.finish import write_finished

    terminal = Terminal(quiet=quiet)
    for line in write_finished(catalog, items, out, file_format, jobs, terminal):
        terminal.say(line)


@kickwheel.command()
@catalog_argument
@click.option("--port", type=click.IntRange(1, 65535), metavar="N", help="Default: the first free one from 8000.")
@jobs_option
@quiet_option
def serve(catalog: Path, port: int | None, jobs: int | None, quiet: bool) -> None:
    """Build, show the site on 127.0.0.1, and rebuild what changes. Drafts are shown too."""
    from builder.commands.serve import run_server

    run_server(catalog, port, jobs, Terminal(quiet=quiet))


@kickwheel.command()
@catalog_argument
@item_option
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.zip",
    help="Default: proofs.zip in the catalogue's folder.",
)
@click.option("--watermark", metavar="TEXT", help="Print TEXT across every picture.")
@jobs_option
@quiet_option
def proof(
    catalog: Path, items: tuple[str, ...], out: Path | None, watermark: str | None, jobs: int | None, quiet: bool
) -> None:
    """Write a zip for a client: it opens from disk, with no server."""
    from builder.commands.proof import make_proof

    terminal = Terminal(quiet=quiet)
    terminal.say(make_proof(catalog, items, out, watermark, jobs, terminal))


@kickwheel.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """Print the completion script of a shell.

    For bash: add  eval "$(kickwheel completion bash)"  to ~/.bashrc.
    """
    from click.shell_completion import get_completion_class

    complete = get_completion_class(shell)
    assert complete is not None
    click.echo(complete(kickwheel, {}, "kickwheel", "_KICKWHEEL_COMPLETE").source())


def main() -> None:
    """Run a command. Exit status: 0 done, 1 findings, 2 bad input, 70 a fault of Kickwheel's, 130 Ctrl-C."""
    pressed = _note_ctrl_c()
    hush_libraries()
    try:
        status = kickwheel.main(prog_name="kickwheel", standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except KickwheelError as error:
        show_error(str(error))
        sys.exit(BAD_INPUT)
    except click.exceptions.Abort:
        _interrupted()
    except KeyboardInterrupt:
        _interrupted()
    except click.ClickException as error:
        error.show()
        sys.exit(BAD_INPUT)
    except BrokenPipeError:  # `kickwheel … | head` closed the pipe: nothing to say, and nobody to say it to
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(BROKEN)
    except OSError as error:  # a disk that fills up while frames are at work, a folder that goes away
        from builder.store.writing import explain

        show_error(str(explain(error, error.filename or "the disk")))
        sys.exit(BAD_INPUT)
    except Exception as error:
        if pressed:  # a library made an error of its own of it
            _interrupted()
        if os.environ.get("KICKWHEEL_DEBUG"):
            raise
        if type(error).__name__ == "BrokenProcessPool":  # by name: importing its module takes time
            show_error(
                "a process at work was ended from outside, most likely because memory ran out. "
                "Nothing was written. Close other programs, or run again with --jobs 1."
            )
            sys.exit(BAD_INPUT)
        show_error(
            f"this is a fault of Kickwheel's own ({type(error).__name__}: {error}). "
            "Nothing was written. Set KICKWHEEL_DEBUG=1 and run again to see where."
        )
        sys.exit(BROKEN)


def _note_ctrl_c() -> list[int]:
    """A list that is filled once Ctrl-C is pressed; it is a KeyboardInterrupt as ever."""
    pressed: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        pressed.append(number)
        signal.default_int_handler(number, frame)

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where a shell asked to ignore it
        signal.signal(signal.SIGINT, note)
    return pressed


def _interrupted() -> NoReturn:
    """Everything is put away by now. Not by sys.exit: interrupted while it runs generated code (a dataclass being
    made), Python ends itself by the signal, whatever exit status is asked for."""
    click.echo("\nStopped; nothing half-done was left.", err=True)
    sys.stdout.flush()
    atexit._run_exitfuncs()  # gives back the semaphores of workers that were just being started
    os._exit(INTERRUPTED)
