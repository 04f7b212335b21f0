"""`fillguard fills analyse`, `release`, `unreleased`, `add`: what becomes of a filled cylinder; fills from the form."""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fillguard.cli.attaching import gas_said
from fillguard.cli.exits import exit_codes, say

if TYPE_CHECKING:
    from fillguard.core.values import GasMix

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
By = Annotated[str, typer.Option("--by", help="Who.")]
Named = Annotated[str, typer.Argument(help="Id of the fill, or the serial: its newest fill is meant.")]


def analyse(
    fill: Named,
    config: ConfigDir = Path("config"),
    *,
    o2: Annotated[float, typer.Option("--o2", help="Oxygen in per cent: 32.1.", min=0.0, max=100.0)],
    he: Annotated[float | None, typer.Option("--he", help="Helium in per cent.", min=0.0, max=100.0)] = None,
    co: Annotated[float | None, typer.Option("--co", help="Carbon monoxide in ppm.", min=0.0, max=10000.0)] = None,
    analyser: Annotated[str, typer.Option("--analyser", help="Which analyser: its name in the shop.")],
    calibrated: Annotated[
        str | None, typer.Option("--calibrated", help="Its last check with air, in UTC: 2026-11-25T08:00.")
    ] = None,
    by: By,
) -> None:
    """Take down an analysis of a filled cylinder. The newest one counts; all of them stay on record.

    Example: fillguard fills analyse TH-0042 --o2 32.1 --analyser A1 --calibrated 2026-11-25T08:00 --by op-1
    """
    with exit_codes():
        from fillguard.app.releasing import Releasing  # noqa: PLC0415 - keeps `--help` quick
        from fillguard.core.fitness.release import Analysis  # noqa: PLC0415

        releasing = Releasing(config, os.environ)
        analysis = Analysis(
            o2=o2 / 100.0,
            he=None if he is None else he / 100.0,
            co_ppm=co,
            analyser=analyser,
            checked_utc_s=None if calibrated is None else _moment(calibrated),
            by=by,
            utc_s=releasing.now.utc_s,
        )
        event, open_points = releasing.analyse(fill, analysis)
        say(f"{event.fill_id}: O2 {o2:g} % taken down")
        for point in open_points:
            say(f"  {point}")


def release(
    fill: Named,
    config: ConfigDir = Path("config"),
    *,
    valve_ok: Annotated[bool, typer.Option("--valve-ok", help="You looked at the valve: nothing wrong.")] = False,
    o_ring_ok: Annotated[bool, typer.Option("--o-ring-ok", help="You looked at the O-ring: nothing wrong.")] = False,
    settled_bar: Annotated[
        float | None, typer.Option("--settled-bar", help="Read when as cool as the shop; else the projection counts.")
    ] = None,
    shop_c: Annotated[float | None, typer.Option("--shop-c", help="How warm it is in the shop.")] = None,
    label: Annotated[
        str | None, typer.Option("--label", help="What its label says, air or o2=0.32; else what was supplied.")
    ] = None,
    to: Annotated[
        str | None, typer.Option("--to", help="Who gets it; that name is kept for its own time only.")
    ] = None,
    by: By,
) -> None:
    """Release a filled cylinder, or read why it may not leave the shop. Nobody overrides that.

    Exit code 1 when it may not leave.

    Example: fillguard fills release TH-0042 --valve-ok --o-ring-ok --settled-bar 230 --shop-c 19 --by op-1
    """
    with exit_codes():
        from fillguard.app.releasing import Releasing  # noqa: PLC0415 - keeps `--help` quick
        from fillguard.core.events import FillReleased  # noqa: PLC0415
        from fillguard.core.fitness.release import Basis  # noqa: PLC0415
        from fillguard.core.units import k_from_c, pa_from_bar  # noqa: PLC0415

        releasing = Releasing(config, os.environ)
        event = FillReleased(
            stamp=releasing.now,
            fill_id=fill,
            gauge_pa=None if settled_bar is None else pa_from_bar(settled_bar),
            basis=Basis.PROJECTED if settled_bar is None else Basis.SETTLED,
            shop_k=None if shop_c is None else k_from_c(shop_c),
            label=None if label is None else _mix(label),
            valve_seen=valve_ok,
            o_ring_seen=o_ring_ok,
            by=by,
            to=to,
        )
        sys.stdout.write(releasing.slip(releasing.release(event)))


def unreleased(
    config: ConfigDir = Path("config"),
    *,
    within: Annotated[float, typer.Option("--within", help="Days back from today.", min=0.0, max=3650.0)] = 30.0,
    limit: Annotated[int, typer.Option(help="How many at most.", min=1)] = 100,
) -> None:
    """What is filled and in the shop, not released, with what still speaks against it.

    Example: fillguard fills unreleased --within 7
    """
    with exit_codes():
        from fillguard.app.releasing import Releasing  # noqa: PLC0415 - keeps `--help` quick

        releasing = Releasing(config, os.environ)
        found = releasing.unreleased(within_days=within, limit=limit)
        if not found:
            say("everything is released")
            return
        table = Table()
        for column in ("fill", "cylinder", "filled", "gas", "analyses", "before it leaves"):
            table.add_column(column, overflow="fold")
        for each in found:
            analysed = ", ".join(f"O2 {analysis.o2 * 100.0:.3g} %" for analysis in each.analyses) or "-"
            row = (
                each.fill.fill_id,
                each.fill.serial or "not identified",
                releasing.time_text(each.fill.flow_stopped_s or each.fill.started_s),
                str(each.fill.gas),
                analysed,
                "; ".join(each.against) or "look at valve and O-ring",
            )
            table.add_row(*map(Text, row))
        Console().print(table)
        if len(found) == limit:
            say(f"the newest {limit} of them: --limit shows more")


def add(
    serial: Annotated[str, typer.Argument(help="Serial as on the form.")],
    config: ConfigDir = Path("config"),
    *,
    whip: Annotated[str, typer.Option("--whip", help="Whip id.")],
    operator: Annotated[str, typer.Option("--operator", help="Who filled it.")],
    started: Annotated[str, typer.Option("--started", help='In the time of the station: "2026-11-25 10:15".')],
    ended: Annotated[str, typer.Option("--ended", help="The same of the end of the flow.")],
    start_bar: Annotated[float, typer.Option("--start-bar", help="Gauge at the start.")],
    end_bar: Annotated[float, typer.Option("--end-bar", help="Gauge at the last reading.")],
    at_c: Annotated[float, typer.Option("--at-c", help="How warm the cylinder was at the last reading.")],
    gas: Annotated[str, typer.Option("--gas", help="air, oxygen, or fractions: o2=0.32.")] = "air",
    by: By,
) -> None:
    """Enter a fill from the shop's form, made while fillguard was down: marked as not measured, nothing learns from it.

    Example: fillguard fills add TH-0042 --whip 1 --operator op-1 --started "2026-11-25 10:15"
    --ended "2026-11-25 10:23" --start-bar 55 --end-bar 228 --at-c 22 --by op-2
    """
    with exit_codes():
        from fillguard.app.entering import Form, enter  # noqa: PLC0415 - keeps `--help` quick
        from fillguard.core.units import bar_from_pa, c_from_k  # noqa: PLC0415

        form = Form(
            whip=whip,
            serial=serial,
            operator=operator,
            started=started,
            ended=ended,
            start_bar=start_bar,
            end_bar=end_bar,
            at_c=at_c,
            gas=_mix(gas),
            by=by,
        )
        fill, verdict = enter(form, config, os.environ)
        say(
            f"{fill.fill_id}: {fill.outcome.value}, entered by hand, not measured: about "
            f"{bar_from_pa(fill.settled_gauge_pa or 0.0):.0f} bar at {c_from_k(fill.reference_k):.3g} C"
        )
        for reason in verdict.refusals:
            say(f"  the register says do not fill: {reason.text}")


def _mix(text: str) -> "GasMix":
    """Raises ConfigurationError."""
    from fillguard.app.releasing import mix_said  # noqa: PLC0415 - keeps `--help` quick

    return mix_said(gas_said(text))


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r}: write day and time as in 2026-11-25T08:00 (UTC)") from None
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)).timestamp()
