"""The table of commands."""

import typer

from fillguard.cli.alarms import app as alarms
from fillguard.cli.attaching import attach, checked, closed, detach, override, stage
from fillguard.cli.channels import app as channels
from fillguard.cli.commanding import acknowledge, in_service, out_of_service, reset, shelve, unshelve
from fillguard.cli.cylinders import app as cylinders
from fillguard.cli.feeding import app as feed
from fillguard.cli.fills import app as fills
from fillguard.cli.learning import learned, settled
from fillguard.cli.ledger import app as ledger
from fillguard.cli.live import capture, demo, run
from fillguard.cli.mirroring import app as mirror
from fillguard.cli.offline import check_config, export, simulate
from fillguard.cli.releasing import add, analyse, release, unreleased
from fillguard.cli.replaying import replay
from fillguard.cli.sensors import app as sensors
from fillguard.cli.stationlog import app as stationlog
from fillguard.cli.thresholds import app as thresholds

app = typer.Typer(
    name="fillguard",
    help=(
        "Watches the filling of breathing-gas cylinders: settled pressure, fill rate, alarms, record. "
        "It advises; it operates no valve. Exit codes: 0 done, 1 failed, 2 unusable input, 3 the ledger is in use, "
        "4 the record is not what it was, 130 stopped by hand."
    ),
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)
for command in (
    run,
    demo,
    check_config,
    replay,
    capture,
    simulate,
    export,
    settled,
    learned,
    attach,
    detach,
    checked,
    stage,
    closed,
    override,
    acknowledge,
    reset,
    shelve,
    unshelve,
    out_of_service,
    in_service,
):
    app.command()(command)
for of_fills in (analyse, release, unreleased, add):
    fills.command()(of_fills)
app.add_typer(fills, name="fills")
app.add_typer(alarms, name="alarms")
app.add_typer(channels, name="channels")
app.add_typer(feed, name="feed")
app.add_typer(cylinders, name="cylinders")
app.add_typer(sensors, name="sensors")
app.add_typer(stationlog, name="log")
app.add_typer(ledger, name="ledger")
app.add_typer(thresholds, name="thresholds")
app.add_typer(mirror, name="mirror")


def main() -> None:
    """Run the command line."""
    app()
