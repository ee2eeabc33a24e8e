"""The engine of a run: `begin` a planned step, then `decide` at every beat. Pure: no clock, no waiting.

The order of things: the first beat comes with everything off; the step says what it wants; a sample is taken
right after an output went on and then each `next_s`. When `finished` is not None everything is switched off.
"""

from benchwarden.profiles.decision import OFF, Decision, Draw, Feed, Off, Question, Seen, Want
from benchwarden.profiles.planned import (
    PlannedAsk,
    PlannedCharge,
    PlannedDischarge,
    PlannedInspect,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedRest,
    PlannedSoak,
    PlannedStep,
    PlannedStore,
    Rung,
)
from benchwarden.profiles.step_charge import ChargeState, decide_charge
from benchwarden.profiles.step_discharge import DischargeState, begin_discharge, decide_discharge
from benchwarden.profiles.step_inspect import InspectState, decide_inspect
from benchwarden.profiles.step_ladder import LadderState, RungRecord, decide_ladder
from benchwarden.profiles.step_pulse import PulseState, SeriesState, decide_pulse, decide_series
from benchwarden.profiles.step_rest import IDLE, Idle, decide_ask, decide_rest
from benchwarden.profiles.step_soak import SoakState, decide_soak
from benchwarden.profiles.step_store import StoreState, decide_store

__all__ = [
    "OFF",
    "Decision",
    "Draw",
    "Feed",
    "Off",
    "PlannedAsk",
    "PlannedCharge",
    "PlannedDischarge",
    "PlannedInspect",
    "PlannedLadder",
    "PlannedPulse",
    "PlannedPulseSeries",
    "PlannedRest",
    "PlannedSoak",
    "PlannedStep",
    "PlannedStore",
    "Question",
    "Rung",
    "RungRecord",
    "Seen",
    "State",
    "Want",
    "begin",
    "decide",
]

State = (
    Idle | ChargeState | DischargeState | LadderState | StoreState | InspectState | SoakState | PulseState | SeriesState
)


def begin(step: PlannedStep, net_since_full_ah: float | None = None) -> State:
    """The state before a step's first beat.

    `net_since_full_ah` is the charge drawn less the charge put in since the last full charge, in Ah, None if
    there was none: storing by counted charge needs it.
    """
    match step:
        case PlannedAsk() | PlannedRest():
            return IDLE
        case PlannedCharge():
            return ChargeState()
        case PlannedDischarge():
            return begin_discharge(step)
        case PlannedLadder():
            return LadderState()
        case PlannedStore():
            return StoreState(net_since_full_ah)
        case PlannedInspect():
            return InspectState()
        case PlannedSoak():
            return SoakState()
        case PlannedPulse():
            return PulseState()
        case PlannedPulseSeries():
            return SeriesState()


def decide(step: PlannedStep, state: object, seen: Seen) -> Decision:
    """What the step wants at this beat, from what is seen; `state` is that of the decision before.

    TypeError if the state is not one of this kind of step.
    """
    match step, state:
        case PlannedRest(), Idle():
            return decide_rest(step, seen)
        case PlannedDischarge(), DischargeState():
            return decide_discharge(step, state, seen)
        case PlannedCharge(), ChargeState():
            return decide_charge(step, state, seen)
        case PlannedLadder(), LadderState():
            return decide_ladder(step, state, seen)
        case PlannedStore(), StoreState():
            return decide_store(step, state, seen)
        case PlannedAsk(), Idle():
            return decide_ask(step, seen)
        case PlannedInspect(), InspectState():
            return decide_inspect(step, state, seen)
        case PlannedSoak(), SoakState():
            return decide_soak(step, state, seen)
        case PlannedPulse(), PulseState():
            return decide_pulse(step, state, seen)
        case PlannedPulseSeries(), SeriesState():
            return decide_series(step, state, seen)
    raise TypeError(
        f"step {step.number} ({step.kind}): the state is a {type(state).__name__}, not one of this kind of step"
    )
