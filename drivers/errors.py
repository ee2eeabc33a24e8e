"""What can go wrong with an instrument; every message names who, where, what was sent and what came back."""


class InstrumentError(Exception):
    """An instrument did not do or say what it was asked.

    Attributes: `who` (bay and role), `address`, `sent`, `came` (None: nothing came back).
    """

    def __init__(self, who: str, address: str, sent: str, came: str | None, what: str) -> None:
        back = "nothing came back" if came is None else f"{came!r} came back"
        super().__init__(f"{who} at {address}: {what} (sent {sent!r}; {back})")
        self.who = who
        self.address = address
        self.sent = sent
        self.came = came
        self.what = what


class InstrumentSilent(InstrumentError):
    """No reply in time; the line was closed, the next exchange opens it again.

    A write may have been carried out.
    """


class InstrumentDead(InstrumentError):
    """The line is dead or cannot be opened; the next exchange tries to open it again."""


class IdentityChanged(InstrumentError):
    """Another instrument answers at this address; nothing is sent there any more."""


class CommandRefused(InstrumentError):
    """The instrument put an error into its queue after a write: `code` and `text` of the first one."""

    def __init__(self, who: str, address: str, sent: str, came: str | None, code: int, text: str) -> None:
        super().__init__(who, address, sent, came, f"command refused with error {code}, {text!r}")
        self.code = code
        self.text = text


class ReplyRefused(InstrumentError):
    """A reply does not fit its grammar; the line was closed, because it may be out of step."""


class ReadBackDiffers(InstrumentError):
    """What was programmed and what is read back differ."""


class NotOff(InstrumentError):
    """The output is not read back as off after it was switched off."""


class NotOn(InstrumentError):
    """The output is not read back as on after it was switched on."""


class Overtaken(InstrumentError):
    """A write that waited was dropped, because the output was switched off before its turn."""


class NotOffered(InstrumentError):
    """The command map has no way to do what was asked."""


class CounterAstray(InstrumentError):
    """A load's own counter tells nothing of the time since it went on."""


class ColdJunctionAstray(InstrumentError):
    """The instrument does not say how warm its terminals are, so that thermocouples tell nothing."""


class NotSharing(InstrumentError):
    """One of several loads in parallel does not carry its part of the current."""
