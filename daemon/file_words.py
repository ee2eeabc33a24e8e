"""What each key of bench, pack and profile files says, for editors; by the table's model, then by key.

`*` holds what a key says wherever its own table has no other words. `tests/test_schema.py` holds that none is missing
and none is left over.
"""

from collections.abc import Mapping
from typing import Any

WORDS: Mapping[str, Mapping[str, str]] = {
    "*": {
        "every": "How often a sample is recorded, or an instrument is asked.",
        "at_most": "The longest that the step may take.",
        "at": "Its address, as a VISA resource string: TCPIP::HOST::PORT::SOCKET or ASRL/dev/…::INSTR.",
        "map": "The command map: a shipped name, or a .toml file beside the bench file.",
        "via": 'Leave out for sockets and serial ports; "visa" sends everything through PyVISA.',
        "visa_library": "Which VISA library PyVISA takes.",
        "baud": "Bits per second, for serial ports.",
        "accuracy": "The largest errors of its readings, from its data sheet.",
        "stale_after": "How old a reading may be in a sample.",
        "timeout": "How long an answer may take; 1 s at most.",
        "limits": "What it is rated for.",
        "sense": "Where it senses the voltage.",
        "do": "Which step this is.",
        "until": "What ends it before its own end.",
    },
    "Bench": {
        "name": "The bench's name.",
        "runs": "Where run folders go, from the bench file's folder.",
        "simulated": "true: none of its instruments is real.",
        "alarms": "Whom to tell when a person is needed.",
        "mqtt": "Where what happens is published.",
        "page": "Where the page in a browser listens.",
        "bay": "The bays: one place for a pack each.",
    },
    "BayEntry": {
        "name": "The bay's name, as it is given on the command line.",
        "unattended_charge": "true: the supply may charge with nobody there, if all else that it needs is there, too.",
        "taps": "each: a channel is a group; cumulative: a channel is the voltage from the negative end to that tap.",
        "cooling": "What cools the pack; runs with different cooling are not compared.",
        "charge": "Who charges: the supply, or the operator with a charger of their own.",
        "load": "The DC load, or a list of loads in parallel.",
        "supply": "The DC supply that charges.",
        "cells": "The meter of the groups' voltages.",
        "temperature": "The thermometer.",
        "voltmeter": "An independent meter of the pack's voltage.",
        "contactor": "A normally open contactor between the pack and every instrument.",
        "path_resistance": "Between the outer taps and where load or supply sense the pack.",
    },
    "LoadEntry": {
        "accepts_no_under_voltage_trip": "true: accepts that this load has no under-voltage trip of its own.",
    },
    "SupplyEntry": {"isolation": "What keeps the pack from feeding back into the supply."},
    "CellsEntry": {
        "channels": 'A channel for each group from the negative end, such as "101:106".',
        "burst_every": "How often it is asked in a burst, if that is more often.",
    },
    "TemperatureEntry": {"sensors": 'Where each channel\'s sensor sits; "ambient" is not on the pack.'},
    "Limits": {
        "voltage": "The largest voltage it takes or gives.",
        "current": "The largest current it draws or gives.",
        "power": "The largest power; a load needs it.",
        "min_voltage": "The lowest voltage at which a load draws its full current.",
    },
    "Accuracies": {
        "voltage": "Of voltage.",
        "current": "Of current; twice its absolute part counts as off, if that is more than 50 mA.",
        "temperature": "Of temperature.",
    },
    "ContactorEntry": {
        "renew": "The line that holds it closed for two seconds; sent each second.",
        "open": "The line that opens it at once.",
    },
    "Alarms": {
        "urls_file": "A file of addresses, one a line, readable by its owner only.",
        "alive_url": "Fetched each minute while an output is on.",
        "alive_end_url": "Fetched once, when the last output is confirmed off.",
    },
    "Mqtt": {
        "url": "The broker: mqtt:// or mqtts://, without user and password.",
        "every": "A sample is published at most once in this time for each bay.",
        "secret_file": "A file with the lines user = … and password = …, readable by its owner only.",
        "ca_file": "Who signed the broker's certificate, where it is none that the machine knows.",
        "certificate_file": "A client's own certificate.",
        "key_file": "The key of a client's own certificate.",
    },
    "Page": {
        "at": "HOST:PORT where the page listens.",
        "hosts": "Further names by which browsers may ask for it.",
        "tokens_file": "A file with the lines view = … and operate = …, readable by its owner only.",
    },
    "Pack": {
        "name": "The pack's name, as written on it.",
        "chemistry": "Its chemistry; what the file does not give comes from it.",
        "series": "How many groups are in series.",
        "parallel": "How many cells are in parallel in each group.",
        "rated_capacity": "From the label or the data sheet; C is this much per hour.",
        "mass": "As flown; without it energy per mass and some checks are left out.",
        "mass_accuracy": "How far the mass may be off; without it one in its last digit.",
        "size": "Its outer size; for energy per volume.",
        "design": "The design it is a specimen of; a verdict on a design takes three.",
        "cycles": "Charges and discharges before this test, as far as known; shown beside its figures.",
        "made": "When it was made: a year, or with month and day (2026-03); shown beside its figures.",
        "max_charge": "The largest charging current, from the data sheet.",
        "charge_voltage": "Of one full group.",
        "max_discharge": "The largest continuous current, from the data sheet.",
        "max_burst": "The largest current for a time, from the data sheet; bounds the ladder.",
        "nominal_voltage": "Of one group; makes watts of a power in C.",
        "discharge_cut_off": "Of one group under load; ends a discharge.",
        "ladder_floor": "Of one group in a burst; ends a ladder.",
        "hard_low": "Below it the run ends; can only be raised, unless lowers_hard_low says otherwise.",
        "lowers_hard_low": "true: this pack's data sheet allows a hard_low below its chemistry's.",
        "hard_high": "Above it the run ends; can only be lowered.",
        "charge_temperature": "In which a charge may begin, within 0 to 45 °C.",
        "max_temperature": "Of any sensor on the pack; wins if it is lower than the chemistry's.",
        "notes": "Whatever else is worth knowing.",
        "build": "How the pack is joined; lets the joints' share of the resistance be told.",
    },
    "Build": {"links": "The links between groups.", "leads": "The two leads to the connector."},
    "Links": {
        "material": 'What they are made of, such as "copper braid" or "nickel strip".',
        "width": "Of one link.",
        "thickness": "Of one link.",
        "length": "From group to group.",
        "fill": "The share of the cross-section that is metal: 1 for a strip.",
    },
    "Leads": {"gauge": "Of one lead.", "length": "Of one lead."},
    "Profile": {
        "title": "What the test is called; does not count when runs are compared.",
        "purpose": "What it is for.",
        "cautions": "What is to be minded.",
        "source": "Where the procedure comes from.",
        "ambient": "The surroundings in which its results count; others are flagged.",
        "step": "The steps, in order.",
        "tables": "Power tables by name, as comma-separated text; or files of that name beside the profile.",
    },
    "AskStep": {"text": "The question.", "answers": "What may be answered."},
    "RestStep": {
        "at_least": "The shortest rest.",
        "until_within": "Then until the hottest sensor is so near to ambient.",
        "until_below": "Then until the hottest sensor is below this.",
        "at_most": "The longest that it waits for a temperature; the run ends then.",
    },
    "ChargeStep": {
        "current": "Of the charge: relative to the pack (0.5C) or in amperes.",
        "taper": "The charge ends when the current has fallen to this at full voltage.",
    },
    "DischargeStep": {
        "power": "Constant power; give one of power, current, resistance and power_table.",
        "current": "Constant current; give one of power, current, resistance and power_table.",
        "resistance": "Constant resistance; give one of power, current, resistance and power_table.",
        "power_table": "A recorded flight to replay: comma-separated text with the columns time / s and power / W.",
        "stop_at": "What ends the discharge.",
    },
    "StopAt": {
        "group_voltage": "Of the lowest group under load: a name of the pack file's, or volts.",
        "temperature": "Of the hottest sensor; the pack's own cut-off unless given.",
    },
    "LadderStep": {
        "from": "The first burst.",
        "step": "How much more each further burst draws.",
        "to": "The last burst; up to the pack's and the load's bounds unless given.",
        "hold": "How long each burst is held.",
        "rest": "How long the pack rests between bursts.",
        "floor": "Of the lowest group in a burst: a name of the pack file's, or volts.",
    },
    "StoreStep": {
        "to": "How the pack is left.",
        "full_first": "A charge to full before, at this current, where voltage does not tell the charge.",
    },
    "InspectStep": {
        "spread": "How far apart the groups may rest.",
        "for": "How long it looks.",
    },
    "SoakStep": {
        "to": "What the pack is brought to: ambient, or a temperature.",
        "within": "How near the hottest sensor must be.",
        "hold": "For how long it must be so near.",
        "at_most": "The longest that it waits; the run ends then.",
    },
    "PulseStep": {
        "method": "two-step: the resistance of the standard; series: pulses at each portion of charge.",
        "levels": "Currents of the pulses, rising.",
        "hold": "How long each pulse is held.",
        "times": "When resistance is read after a pulse began.",
        "rest": "How long the pack rests between pulses.",
        "settle": "How long the pack rests before the pulses of each state of charge.",
        "each": "How much of the rated charge lies between two states.",
        "down_to": "The last state, as a share of the rated charge.",
        "move": "The current that takes the charge out between.",
        "floor": "Of the lowest group: a name of the pack file's, or volts.",
    },
    "RepeatStep": {
        "times": "How many cycles at most.",
        "at_most": "No cycle begins after this time.",
        "step": "The steps of a cycle, in order.",
    },
    "Until": {
        "charge": "So much charge since the step began: ampere-hours, or a share of the rated capacity.",
        "energy": "So much energy since the step began: watt-hours, or a share of the rated.",
        "time": "So long after the step began.",
        "voltage": "The lowest group in a discharge, the highest in a charge.",
        "temperature": "The hottest sensor.",
        "group_spread": "So far apart are highest and lowest group.",
    },
    "RepeatUntil": {
        "delivered_below": "Once the last discharge of a cycle delivered less than this.",
        "delivered_at_least": "Once the last discharge of a cycle delivered this or more.",
    },
}

CUT_OFF: Mapping[str, Any] = {"type": "string", "examples": ["discharge cut-off", "ladder floor", "2.8 V"]}
"""A cut-off as people write it: a bare number is refused."""
CUT_OFFS = frozenset({("StopAt", "group_voltage"), ("LadderStep", "floor"), ("PulseStep", "floor")})
"""The keys that take one, by model."""


def words_for(model: str, key: str) -> str | None:
    """What a key of a table says; None if there are no words for it."""
    return WORDS.get(model, {}).get(key) or WORDS["*"].get(key)
