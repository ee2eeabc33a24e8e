"""Figures of the steps beside discharge and ladder, and what a pack's file lowers."""

from collections.abc import Sequence

from benchwarden.results.cycles import cycle_figures
from benchwarden.results.figure import Figures
from benchwarden.results.flight import flight_figures
from benchwarden.results.groups import group_step_v, spread
from benchwarden.results.pulse import pulse_figures
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.sample import spread_v
from benchwarden.results.series import Series

STORED_NAMES = ("stored_spread_v", "stored_pack_v")
INSPECTED_NAMES = ("inspected_spread_v", "inspected_pack_v", "inspected_sum_apart_v")


def further_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Add the figures of inspections, pulses, repeats and flights to `out`, where the run has them."""
    pack = run.info.plan.get("pack")
    lowered = pack.get("lowered") if isinstance(pack, dict) else None
    out.flags.extend(str(words) for words in lowered or () if str(words) not in out.flags)
    for span in steps:
        if span.kind == "inspect":
            _inspected(span, out)
            break
    pulses = [span for span in steps if span.kind == "pulse"]
    if pulses:
        pulse_figures(run, pulses, out)
    if not pulses and not any(span.kind in ("discharge", "ladder") for span in steps):
        first = next((place for place, span in enumerate(steps) if span.kind == "store"), None)
        if first is not None:
            _stored(steps[first:], out)
    cycle_figures(run, steps, out)
    flight_figures(run, steps, out)


def _stored(spans: Sequence[StepSpan], out: Figures) -> None:
    """What a run that does nothing else left the pack at: the last look at every group, stored and with nothing on."""
    found = (
        (span, one)
        for span in reversed(spans)
        for one in reversed(span.samples)
        if one.output == "off" and spread_v(one) is not None
    )
    span, last = next(found, (spans[0], None))
    if last is None:
        out.lack(f"step {span.count}: no sample with every group of several and nothing on", *STORED_NAMES)
        return
    where = (last.sequence, last.sequence)
    apart = spread(out.meters, last, group_step_v(Series.of(span.samples).only("off")))
    out.put("stored_spread_v", apart, "V", where, formula="highest − lowest group, stored, nothing on")
    if last.voltage_v is None:
        out.lack(f"step {span.count}: no pack voltage", "stored_pack_v")
        return
    pack_v = out.meters.reading("load", "voltage", last.voltage_v)
    out.put("stored_pack_v", pack_v, "V", where, formula="pack voltage, stored, nothing on")


def _inspected(span: StepSpan, out: Figures) -> None:
    """What the last look at every group showed."""
    last = next((sample for sample in reversed(span.samples) if spread_v(sample) is not None), None)
    if last is None:
        out.lack(f"step {span.count}: no sample with every group of several", *INSPECTED_NAMES)
        return
    where = (last.sequence, last.sequence)
    apart = spread(out.meters, last, group_step_v(Series.of(span.samples)))
    out.put("inspected_spread_v", apart, "V", where, formula="highest − lowest group, nothing on")
    groups_v = [value or 0.0 for value in last.groups_v]
    for number, volts in enumerate(groups_v, 1):
        value = out.meters.group_v(volts, number)
        out.put(f"inspected_group_{number}_v", value, "V", where, formula="group voltage, nothing on")
    if last.voltage_v is None:
        out.lack(f"step {span.count}: no pack voltage", "inspected_pack_v", "inspected_sum_apart_v")
        return
    pack_v = out.meters.reading("load", "voltage", last.voltage_v)
    out.put("inspected_pack_v", pack_v, "V", where, formula="pack voltage, nothing on")
    sum_v = out.meters.groups_sum_v(groups_v)
    out.put("inspected_sum_apart_v", sum_v - pack_v, "V", where, formula="sum of the groups − pack voltage")
