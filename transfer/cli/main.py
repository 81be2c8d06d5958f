"""The command `nightferry`: its commands are loaded when they are asked for."""

from __future__ import annotations

import gc
import importlib
import io
import json
import os
import sys

import click

from transfer.interruption import interrupted

# Nearly all that a run makes lives until it ends: looking for what does not costs a tenth of a short run.
gc.set_threshold(100_000)

if "_NIGHTFERRY_COMPLETE" in os.environ:  # a shell asks what to complete
    importlib.import_module("transfer.cli.shells")

_COMMANDS = {
    "setup": "Write a commented nightferry.toml, with what was found on this computer.",
    "prepare": "Mark a drive as one to send to; measure it; say what it cannot hold.",
    "plan": "Say what send would carry, whether it fits, how long it takes, what looks wrong.",
    "send": "Carry the night to the drive and prove every copy.",
    "now": "Say how the running night stands: what is carried and proven, room left.",
    "check": "Prove every bag found at or below each PATH again.",
    "file": "Bring a drive's nights, or a folder of frames, into the archive.",
    "targets": "List the archive's targets: nights, hours by filter, where in the sky.",
    "nights": "List the archive's nights: what each gave, findings, moon, verdict.",
    "frames": "Find frames in the archive, as a table, CSV, JSON, ECSV, VOTable or paths.",
    "night": "Tell one night: frames, events, gaps, readings, and what failed.",
    "compare": "Lay nights side by side: what parts the good ones from the others.",
    "mark": "Keep your verdict on a night: good, poor or lost.",
    "amend": "Correct what headers say of frames; each then lies where it belongs.",
    "index": "Build the archive's index again from its bags.",
    "copies": "List where each night and target is, and when it was last proven there.",
    "heal": "Write damaged files of an archive again from another one.",
    "clear": "List what may be deleted from the sources; --delete does it.",
    "page": "Write the archive as pages for a browser: targets, nights, frames with thumbnails.",
    "gather": "Lay out a target's lights and the calibration frames that fit them.",
}


class _Commands(click.Group):
    """A group whose commands are imported one by one: the computer at the telescope starts fast."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        try:
            module = importlib.import_module(f"transfer.cli.{cmd_name}")
        except KeyboardInterrupt:
            interrupted()
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keep whether JSON was asked for: a line that is wrong is told so, too."""
        ctx.obj = "--json" in args
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; what is wrong with its line is told as JSON where that was asked for."""
        _have_streams()
        _take_any_character()
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            if not ctx.obj:
                raise
            told = {"command": ctx.invoked_subcommand or "", "exit": error.exit_code, "findings": []}
            click.echo(json.dumps(told | {"message": error.format_message()}, indent=2))
            ctx.exit(error.exit_code)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


def _have_streams() -> None:
    """Have the three standard streams, also where whoever started this closed them.

    Else the first file that is opened for writing would be taken for one of them.
    """
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(descriptor)
    sys.stdout = sys.stdout or io.TextIOWrapper(io.FileIO(1, "w", closefd=False), write_through=True)
    sys.stderr = sys.stderr or io.TextIOWrapper(io.FileIO(2, "w", closefd=False), write_through=True)


def _take_any_character() -> None:
    """Have what a terminal or a pipe cannot take written out: a frame's name must not end a run."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


@click.command(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(package_name="nightferry")
def main() -> None:
    """Bring the night home: every frame and every log to a removable drive, each copy proven.

    \b
    Exit codes:
      0  done, and everything is proven
      1  done, but something is not: it is listed
      2  the command line or the configuration is wrong
      3  a drive, an archive or a source folder is not there
      4  it does not fit
      5  another run is at work on the same place
      6  stopped early; what is listed as proven is proven
    """
