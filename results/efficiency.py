"""Energy and charge out over in, where a run measured both between the same two states of the pack."""

from collections.abc import Sequence

from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.integrate import integrate
from benchwarden.results.run import Run, StepSpan

NAMES = ("energy_efficiency", "charge_efficiency")


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
        if ended is None or not any(s.output == "supply" for s in charge.samples):
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
    out["energy_efficiency"] = Figure(
        energy_out.energy_wh / energy_in.energy_wh, "1", where, note, formula="Wh out ÷ Wh back in"
    )
    out["charge_efficiency"] = Figure(
        energy_out.charge_ah / energy_in.charge_ah, "1", where, note, formula="Ah out ÷ Ah back in"
    )
