"""The command line: reads options, calls the workflow, prints what it returns.

    scans     the technician: check, measure, compare, artefact
    before    the fitter, before a plan: settle, shoe, fit, questions
    plans     the fitter: plan
    making    the maker: make, bar
    riding    after a ride: trial, case
    batch     the lab: a folder of scans in one go
    remote    riders far away: trace

Nothing is computed here. Every expected error ends in one sentence on standard error and the
error's exit code; heavy modules are imported inside the commands, so that ``--help`` is quick.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

import insole
from footscan.cores import one_thread
from insole.cli import before, making, plans, remote, riding, scans
from insole.cli.batch import batch
from insole.cli.desk import desk
from insole.cli.options.common import UNUSABLE
from insole.cli.options.outcomes import speak
from insole.cli.typed import how
from insole.cycles import seldom_sought

__all__ = ["cli", "main"]

BROKEN = 70


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; never shows a traceback."""
    one_thread()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    from footscan.errors import FootscanError

    try:
        result = cli.main(args=arguments, prog_name="solewright", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except FootscanError as error:
        speak(f"solewright: {error}{how(*error.asks)}")
        return error.exit_code
    except click.exceptions.Abort:
        speak("solewright: stopped; no file is half written")
        return 130
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except MemoryError:
        speak("solewright: not enough memory for this scan; export it with fewer points")
        return UNUSABLE
    except Exception as error:  # a bug of ours: still one sentence, unless asked for more
        if os.environ.get("SOLEWRIGHT_TRACEBACK"):
            raise
        speak(
            f"solewright: a fault in the program itself ({type(error).__name__}: {error}); set "
            "SOLEWRIGHT_TRACEBACK=1 to see where, and report it"
        )
        return BROKEN


def entry() -> None:
    """Run as the installed command."""
    seldom_sought()
    raise SystemExit(main())


# ------------------------------------------------------------------ commands


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(insole.__version__, prog_name="solewright")
def cli() -> None:
    """From a foot scan to arch pads, wedges and a plan for stiff sports shoes.

    A fitting aid, not a diagnosis; foot pain calls for clinical advice.
    """


for _command in (
    scans.check,
    scans.measure,
    before.settle,
    before.shoe,
    before.fit,
    before.questions,
    plans.plan,
    making.make,
    riding.trial,
    riding.case_,
    scans.compare,
    scans.artefact,
    making.bar,
    remote.trace,
    desk,
    batch,
):
    cli.add_command(_command)
