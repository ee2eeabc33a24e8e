"""`benchwarden pack new FILE`: asks what matters of a pack and writes its file, with every default shown as one.

Each answer goes through the very reader of pack files, so that nothing is written that it would refuse.
"""

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchwarden.profiles.chemistry import CHEMISTRIES
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import NOT_FROM_DATA_SHEET, PackValues, read_pack, resolved

DONE, REFUSED = 0, 2
_BURST_S = 5


@dataclass(frozen=True, slots=True)
class Question:
    """One key of a pack file, what is asked for it, and whether an empty answer leaves it out."""

    key: str
    text: str
    may_be_empty: bool = False


_ALWAYS = (
    Question("name", "Name, as written on the pack"),
    Question("chemistry", f"Chemistry ({', '.join(CHEMISTRIES)})"),
    Question("series", "Groups in series (a whole number)"),
    Question("rated_capacity", 'Rated capacity, from the label or the data sheet, such as "5.0 Ah"'),
)
_MASS = (Question("mass", 'Mass as flown, such as "452 g"; empty: not weighed', may_be_empty=True),)
_VOLTAGES = {
    "charge_voltage": 'Full voltage of one group, such as "3.90 V"',
    "nominal_voltage": "Nominal voltage of one group",
    "discharge_cut_off": "Lowest voltage of one group under load",
    "ladder_floor": "Lowest voltage of one group in a burst",
    "hard_low": "Voltage below which a group is never let down, at least 0.2 V under the cut-off",
    "hard_high": "Voltage above which a group is never let up, at least 0.03 V over full",
}
_CHARGE = (Question("max_charge", "Data sheet: largest charging current; empty: half of C", may_be_empty=True),)
_DISCHARGE = (
    Question("max_discharge", "Data sheet: largest continuous current; empty: 1C", may_be_empty=True),
    Question("max_burst", 'Data sheet: largest burst, such as "90 A for 5 s"; empty: as continuous', may_be_empty=True),
)


class NoMoreAnswers(Exception):
    """Standard input has ended before every question was answered."""


def pack_new(path: Path, answer: Callable[[], str] | None = None) -> int:
    """Ask, write the file and say what comes next; returns the exit code. Never overwrites.

    `answer` returns one line with its end, an empty text when there are no more: standard input unless given.
    """
    if path.exists():
        return _refused(f"{path}: exists already; another name would be right, or change it in an editor")
    try:
        answers = ask(str(path), answer or sys.stdin.readline)
    except (NoMoreAnswers, KeyboardInterrupt):
        return _refused(f"\n{path}: the answers ended before the questions; nothing was written")
    except UnicodeDecodeError as error:
        return _refused(f"\n{path}: the answer is not UTF-8 text ({error.reason}); nothing was written")
    text = file_text(answers, str(path))
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        return _refused(f"{path}: cannot be written: {error.strerror}")
    pack = resolved(read_pack(text, str(path)))
    print(f"\nwritten: {path}\n")
    print(
        f"That {pack.name} has {pack.series} groups in series is proved when it is put on the bench: so many balance\n"
        "taps must be live. Its chemistry and its full voltage no instrument can tell."
    )
    if pack.chargeable:
        print(f"Read the label again, then say so once, before its first charge: benchwarden confirm {path}")
    return DONE


def _refused(words: str) -> int:
    print(words, file=sys.stderr)
    return REFUSED


def ask(where: str, answer: Callable[[], str]) -> dict[str, str]:
    """Return the answers by key, each one that the reader of pack files takes. Raises NoMoreAnswers."""
    print("What you do not know, leave empty where that is offered: a default stands in.\n")
    answers: dict[str, str] = {}
    _group(_ALWAYS, answers, where, answer)
    for questions in _further(answers["chemistry"]):
        _group(questions, answers, where, answer)
    return answers


def _further(chemistry: str) -> list[Sequence[Question]]:
    """What else is asked of a chemistry: voltages where there are no common ones, charging where it is charged."""
    table = CHEMISTRIES[chemistry]
    found: list[Sequence[Question]] = []
    if table.discharge_cut_off_v is None:
        found.append([Question(key, text) for key, text in _VOLTAGES.items()])
    found.append(_MASS)
    if table.chargeable:
        found.append(_CHARGE)
    found.append(_DISCHARGE)
    return found


def _group(questions: Sequence[Question], answers: dict[str, str], where: str, answer: Callable[[], str]) -> None:
    """Ask questions that belong together, again and again until they fit each other and all before them."""
    while True:
        for question in questions:
            answers.pop(question.key, None)
        for question in questions:
            _one(question, answers, where, answer)
        left = [one for one in _mistakes(answers, where) if not _only_asks_for_more(one, answers)]
        if not left:
            return
        print(*left, "These do not fit each other; once more:", sep="\n")


def _one(question: Question, answers: dict[str, str], where: str, answer: Callable[[], str]) -> None:
    while True:
        print(f"{question.text}: ", end="", flush=True)
        line = answer()
        if not line:
            raise NoMoreAnswers
        given = line.strip()
        if not given and question.may_be_empty:
            return
        answers[question.key] = given
        wrong = [one for one in _mistakes(answers, where) if one.startswith(f"{where}: {question.key}: ")]
        if not wrong:
            return
        del answers[question.key]
        print(*wrong, sep="\n")


def _mistakes(answers: dict[str, str], where: str) -> Sequence[str]:
    try:
        read_pack("\n".join(_line(key, given) for key, given in answers.items()), where)
    except FileMistakes as error:
        return error.mistakes
    return ()


def _only_asks_for_more(mistake: str, answers: dict[str, str]) -> bool:
    """Whether a mistake is only that voltages were not given yet, which are asked for next."""
    return "in the pack file: there are no common values" in mistake and "charge_voltage" not in answers


def _line(key: str, given: str) -> str:
    if key == "series" and given.isascii() and given.isdigit() and len(given) < 10:
        return f"{key} = {int(given)}"
    return f"{key} = {json.dumps(given, ensure_ascii=False)}"


def file_text(answers: dict[str, str], where: str) -> str:
    """Return the text of a pack file: what was answered, then as comments every value that was not."""
    given = [_line(key, text) for key, text in answers.items()]
    pack = resolved(read_pack("\n".join(given), where))
    lines = ["# All voltages are those of one group.", *given]
    left = {key: text for key, text in _defaults(pack).items() if key not in answers}
    if left:
        shown = [f'# {key} = "{text}"' for key, text in left.items()]
        width = max(map(len, shown))
        lines += ["", "# Not given. Take the # away and write what the data sheet says."]
        lines += [f"{one:<{width}}  # {NOT_FROM_DATA_SHEET}" for one in shown]
    return "\n".join(lines) + "\n"


def _defaults(pack: PackValues) -> dict[str, str]:
    """Every value of a pack as its file would say it; mass, build and notes have no default."""
    found: dict[str, str] = {}
    if pack.chargeable:
        found["max_charge"] = f"{pack.max_charge_a:g} A"
        found["charge_voltage"] = f"{pack.full_v:.2f} V"
        found["charge_temperature"] = f"{pack.charge_low_c:g} to {pack.charge_high_c:g} °C"
    found["max_discharge"] = f"{pack.max_discharge_a:g} A"
    found["max_burst"] = f"{pack.max_burst_a:g} A for {_BURST_S} s"
    found["nominal_voltage"] = f"{pack.nominal_v:.2f} V"
    found["discharge_cut_off"] = f"{pack.discharge_cut_off_v:.2f} V"
    found["ladder_floor"] = f"{pack.ladder_floor_v:.2f} V"
    found["hard_low"] = f"{pack.hard_low_v:.2f} V"
    found["hard_high"] = f"{pack.hard_high_v:.2f} V"
    found["max_temperature"] = f"{pack.temperature_limit_c:g} °C"
    return found
