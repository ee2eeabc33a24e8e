"""Energy and charge out over in, where a run measured both between the same two states of the pack."""

from collections.abc import Sequence

from benchwarden.results.discharge import begun_s
from benchwarden.results.discharge import drawn as delivered
from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figures
from benchwarden.results.integrate import integrate
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series
from benchwarden.results.uncertain import Uncertain, value_of

NAMES = ("energy_efficiency", "charge_efficiency")
RETENTION_NAMES = ("retention",)


def efficiency_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Add out ÷ in of the first discharge and the charge by the supply that followed it.

    Sensible only when the discharge went from full to its cut-off and the charge back to full, with nothing
    but rests between: the pack is then twice in the same state. Otherwise the reason is in `out.missing`.
    """
    order = [step for step in steps if step.kind != "rest"]
    position = next((index for index, step in enumerate(order) if step.kind == "discharge"), None)
    if position is None:
        out.lack("the run has no discharge step", *NAMES)
        return
    drawn = order[position]
    before = order[position - 1] if position else None
    after = order[position + 1] if position + 1 < len(order) else None
    if before is None or before.kind != "charge" or after is None or after.kind != "charge":
        out.lack("needs a charge before the discharge and one after it, in the same run", *NAMES)
        return
    if step_ending(run, drawn.count).by != "voltage":
        out.lack("the discharge did not end at its cut-off", *NAMES)
        return
    for charge in (before, after):
        ended = next(run.events_named("step_ended", charge.count), None)
        if ended is None or not Series.of(charge.samples).is_on("supply").any():
            out.lack(f"step {charge.count}: not a charge by the supply that ended as planned", *NAMES)
            return
    energy_out, energy_in = integrate(drawn.samples, "load"), integrate(after.samples, "supply")
    if energy_out is None or energy_in is None or energy_in.energy_wh <= 0 or energy_in.charge_ah <= 0:
        out.lack("the discharge or the charge after it was not measured", *NAMES)
        return
    lost_s = energy_out.unmeasured_s + energy_in.unmeasured_s
    if lost_s > 0.001 * (energy_out.measured_s + energy_in.measured_s):
        out.lack(f"{lost_s:.0f} s of discharge and charge were not measured", *NAMES)
        return
    where = (energy_out.first, energy_in.last)
    note = f"discharge step {drawn.count}, charge back in step {after.count}"
    samples = Series.of(run.samples)
    taken, given = Series.of(drawn.samples).only("load"), Series.of(after.samples).only("supply")
    meters = out.meters
    total_out = delivered(meters, "load", energy_out, taken, begun_s(samples, taken), True, drawn.count)
    total_in = delivered(meters, "supply", energy_in, given, begun_s(samples, given), False, after.count)
    energy = total_out.energy_wh / total_in.energy_wh
    charge = total_out.charge_ah / total_in.charge_ah
    out.put("energy_efficiency", energy, "1", where, note, formula="Wh out ÷ Wh back in")
    out.put("charge_efficiency", charge, "1", where, note, formula="Ah out ÷ Ah back in")


def retention_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Add the charge of the last ÷ the first discharge of a run that repeats it, each ended by the pack.

    One meter measured both, so that its gain cancels.
    """
    name = RETENTION_NAMES[0]
    discharges = [step for step in steps if step.kind == "discharge"]
    if len(discharges) < 2:
        out.lack("the run holds one discharge at most", name)
        return
    samples = Series.of(run.samples)
    charges: list[Uncertain] = []
    where: list[int] = []
    for step in discharges:
        integral = integrate(step.samples, "load")
        by = step_ending(run, step.count).by
        if integral is None or integral.unmeasured_s > 0.0 or by != "voltage":
            out.lack(f"step {step.count} did not end at its cut-off, or was not measured throughout", name)
            return
        loaded = Series.of(step.samples).only("load")
        begun = begun_s(samples, loaded)
        charges.append(delivered(out.meters, "load", integral, loaded, begun, True, step.count).charge_ah)
        where += [integral.first, integral.last]
    if value_of(charges[0]) <= 0.0:
        out.lack("no charge flowed in the first discharge", name)
        return
    shares = ", ".join(f"{value_of(charge) / value_of(charges[0]):.4f}" for charge in charges)
    note = f"{len(charges)} discharges: {shares}"
    out.put(name, charges[-1] / charges[0], "1", (where[0], where[-1]), note, formula="Ah of the last ÷ of the first")
