import asyncio
import random
from collections.abc import Callable

import pytest

from benchwarden.drivers.errors import (
    CommandRefused,
    IdentityChanged,
    InstrumentDead,
    InstrumentError,
    InstrumentSilent,
    Overtaken,
    ReplyRefused,
)
from benchwarden.drivers.instrument import Instrument
from benchwarden.drivers.memory import MemoryLine
from benchwarden.drivers.tcp import TcpLine
from tests.scripted_instrument import Settings, Talk, serving

pytestmark = pytest.mark.asyncio


def in_memory(far_end: Callable[[str], str | None], **options: str | None) -> Instrument:
    return Instrument(
        MemoryLine(far_end),
        who="left load",
        address="MEMORY::load",
        timeout_s=0.02,
        **options,  # type: ignore[arg-type]
    )


def on_socket(port: int, timeout_s: float = 1.0) -> Instrument:
    return Instrument(
        TcpLine("127.0.0.1", port), who="left load", address=f"TCPIP::127.0.0.1::{port}::SOCKET", timeout_s=timeout_s
    )


def speaking(far_end: Settings) -> Callable[[str, Talk], bytes | None]:
    def answer(text: str, talk: Talk) -> bytes | None:
        reply = far_end(text)
        return None if reply is None else reply.encode("ascii") + b"\n"

    return answer


async def test_nothing_is_told_before_the_identity_is_known() -> None:
    far_end = Settings()
    load = Instrument(
        MemoryLine(far_end), who="left load", address="MEMORY::load", on_open=["SYST:REM"], on_close=["SYST:LOC"]
    )
    with pytest.raises(InstrumentDead, match="never opened"):
        _ = load.identity
    assert str(await load.open()) == "SHED,BOX,7,1.0"
    assert far_end.heard.index("*IDN?") < far_end.heard.index("SYST:REM")
    await load.close()
    await load.close()
    assert far_end.heard[-1] == "SYST:LOC"
    assert far_end.heard.count("SYST:LOC") == 1


async def test_two_different_answers_to_idn_are_no_identity() -> None:
    answers = iter(["SHED,BOX,7,1.0", "SHED,BOX,8,1.0"])
    with pytest.raises(ReplyRefused, match="two different replies"):
        await in_memory(lambda _: next(answers)).open()


async def test_an_echo_is_no_identity() -> None:
    with pytest.raises(ReplyRefused, match="four fields"):
        await in_memory(lambda text: text).open()


async def test_a_command_carries_the_question_for_errors_with_it() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.heard.clear()
    await load.tell("CURR 5")
    assert far_end.heard == ["CURR 5;:SYSTem:ERRor?"]
    assert await load.order(["CURR 6", "*CLS"], ["CURR?"]) == ["6"]
    assert far_end.heard[-1] == "CURR 6;*CLS;:CURR?;:SYSTem:ERRor?"  # IEEE 488.2 section 7.6.1.2, from memory


async def test_a_refused_command_is_told_by_number_and_the_next_is_not_blamed() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.refused.add("CURR")
    far_end.errors = ['-113,"Undefined header"']
    with pytest.raises(CommandRefused, match=r"left load at MEMORY::load.*-113") as caught:
        await load.tell("CURR 999")
    assert (caught.value.code, caught.value.text) == (-113, "Undefined header")
    await load.tell("VOLT 1")


async def test_errors_from_before_are_drained_at_opening() -> None:
    far_end = Settings()
    far_end.errors = ['-350,"Queue overflow"', '-222,"Data out of range"']
    load = in_memory(far_end)
    await load.open()
    assert [code for code, _ in load.left_over] == [-350, -222]
    await load.tell("CURR 5")


async def test_a_queue_that_never_empties_does_not_hold_us() -> None:
    far_end = Settings({"SYSTem:ERRor?": '-350,"Queue overflow"'})
    await in_memory(far_end).open()
    assert far_end.heard.count("SYSTem:ERRor?") == 20


async def test_without_a_joint_every_unit_is_a_message_of_its_own() -> None:
    far_end = Settings()
    load = in_memory(far_end, joint=None)
    await load.open()
    far_end.heard.clear()
    assert await load.order(["CURR 5", "POW 7"], ["CURR?", "POW?"]) == ["5", "7"]
    assert far_end.heard == ["CURR 5", "POW 7", "CURR?", "POW?", "SYSTem:ERRor?"]


async def test_after_silence_the_line_is_opened_again_and_the_identity_compared() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.silent = True
    with pytest.raises(InstrumentSilent, match=r"'CURR\?'; nothing came back"):
        await load.ask("CURR?")
    far_end.silent = False
    far_end.heard.clear()
    assert await load.ask("CURR?") == "0"
    assert far_end.heard == ["*IDN?", "SYSTem:ERRor?", "CURR?"]


async def test_a_write_without_answer_is_not_repeated() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.silent = True
    with pytest.raises(InstrumentSilent):
        await load.tell("CURR 5")
    far_end.silent = False
    await load.ask("CURR?")
    assert sum("CURR 5" in message for message in far_end.heard) == 1


async def test_silence_after_an_unknown_command_is_explained_by_the_error_queue() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()

    wrong = "CURRR 5;:SYSTem:ERRor?"
    plain = far_end.__call__

    def drops_the_rest(message: str) -> str | None:
        if message == wrong:
            far_end.errors.append('-113,"Undefined header"')
            return None
        return plain(message)

    load = in_memory(drops_the_rest)
    await load.open()
    with pytest.raises(CommandRefused, match="-113"):
        await load.tell("CURRR 5")


async def test_another_instrument_behind_the_same_address_is_never_spoken_to_again() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.silent = True
    with pytest.raises(InstrumentSilent):
        await load.ask("CURR?")
    far_end.silent = False
    far_end.identity = "SHED,BOX,8,1.0"
    far_end.heard.clear()
    with pytest.raises(IdentityChanged, match="it was SHED,BOX,7"):
        await load.tell("INP ON")
    assert far_end.heard == ["*IDN?"]
    far_end.identity = "SHED,BOX,7,1.0"
    with pytest.raises(IdentityChanged):
        await load.ask("CURR?")
    assert far_end.heard == ["*IDN?"]


async def test_off_is_sent_even_to_whoever_answers_in_the_place_of_the_instrument() -> None:
    """It may be the same one under a new name; nothing else is sent, and what it says confirms nothing."""
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.silent = True
    with pytest.raises(InstrumentSilent):
        await load.ask("CURR?")
    far_end.silent = False
    far_end.identity = "SHED,BOX,8,1.0"
    with pytest.raises(IdentityChanged):
        await load.ask("CURR?")
    far_end.heard.clear()
    for _ in range(2):
        with pytest.raises(IdentityChanged):
            await load.order(["INP OFF"], ["INP?"], urgent=True, check=False)
    assert far_end.heard == ["INP OFF", "INP OFF"]
    with pytest.raises(IdentityChanged):
        await load.tell("INP ON")
    assert far_end.heard == ["INP OFF", "INP OFF"]


async def test_off_goes_before_all_that_waits_and_drops_waiting_writes() -> None:
    far_end = Settings({"SLOW?": "1"})

    def answer(text: str, talk: Talk) -> bytes | None:
        reply = far_end(text)
        data = b"" if reply is None else reply.encode("ascii") + b"\n"
        asyncio.get_running_loop().call_later(0.4 if text == "SLOW?" else 0.0, talk.send, data)
        return None

    async with serving(answer) as server:
        load = on_socket(server.port)
        await load.open()
        far_end.heard.clear()
        slow = asyncio.ensure_future(load.ask("SLOW?"))
        await asyncio.sleep(0.01)
        reads = asyncio.ensure_future(load.ask("CURR?"))
        switch_on = asyncio.ensure_future(load.tell("INP ON"))
        await asyncio.sleep(0)
        off = asyncio.ensure_future(load.order(["INP OFF"], ["INP?"], urgent=True, check=False))
        assert await off == ["OFF"]
        assert await slow == "1"
        assert await reads == "0"
        with pytest.raises(Overtaken, match="switched off meanwhile"):
            await switch_on
        assert far_end.heard == ["SLOW?", "INP OFF;:INP?", "CURR?"]
        await load.tell("INP ON")  # what is ordered after off is not dropped
        assert far_end.values["INP"] == "ON"
        await load.close()


async def test_cancelled_callers_and_many_tasks_never_get_anothers_reply() -> None:
    chance = random.Random(20261125)

    def answer(text: str, talk: Talk) -> bytes | None:
        if text == "*IDN?":
            return b"SHED,BOX,7,1.0\n"
        if "ERR" in text:
            return b'0,"No error"\n'
        reply = text.rstrip("?").encode("ascii") + b"\n"
        asyncio.get_running_loop().call_later(chance.random() * 0.004, talk.send, reply)
        return None

    async with serving(answer) as server:
        load = on_socket(server.port)
        await load.open()
        right = cancelled = 0

        async def hammer(name: int) -> None:
            nonlocal right, cancelled
            for turn in range(25):
                question = f"N{name}T{turn}"
                task = asyncio.ensure_future(load.ask(f"{question}?"))
                if chance.random() < 0.4:
                    asyncio.get_running_loop().call_later(chance.random() * 0.01, task.cancel)
                try:
                    assert await task == question
                    right += 1
                except asyncio.CancelledError:
                    cancelled += 1

        await asyncio.gather(*(hammer(name) for name in range(5)))
        assert right + cancelled == 125
        assert right >= 25
        assert cancelled >= 5
        assert len(server.talks) == 1  # nothing was ever out of step
        await load.close()


async def test_a_flapping_line_gives_right_values_or_errors_but_never_wrong_values() -> None:
    chance = random.Random(7)
    faults = 0

    def answer(text: str, talk: Talk) -> bytes | None:
        nonlocal faults
        if text == "*IDN?":
            return b"SHED,BOX,7,1.0\n"
        if "ERR" in text:
            return b'0,"No error"\n'
        reply = text.rstrip("?").encode("ascii") + b"\n"
        misbehave: list[Callable[[], object]] = [
            talk.reset,
            talk.finish,
            lambda: asyncio.get_running_loop().call_later(0.06, talk.send, reply),
            lambda: talk.send(reply[:1]),
            lambda: talk.send(reply + b"9\n"),
            lambda: None,
        ]
        if chance.random() < 0.5:
            faults += 1
            chance.choice(misbehave)()
            return None
        return reply

    async with serving(answer) as server:
        load = on_socket(server.port, timeout_s=0.04)
        await load.open()
        right = 0
        for turn in range(60):
            try:
                assert await load.ask(f"T{turn}?") == f"T{turn}"
                right += 1
            except InstrumentError:
                continue
        assert faults > 10
        assert 10 < right < 60
        await load.close()


async def test_a_dead_line_is_tried_again_at_the_next_exchange() -> None:
    far_end = Settings()
    async with serving(speaking(far_end)) as server:
        load = on_socket(server.port)
        await load.open()
        server.talks[0].finish()
        await server.talks[0].writer.wait_closed()
        with pytest.raises(InstrumentDead, match="left load at TCPIP"):
            await load.tell("INP ON")
        assert await load.ask("INP?") == "0"
        assert "INP" not in far_end.values
        await load.close()


async def test_the_error_queue_must_speak_its_grammar() -> None:
    far_end = Settings()
    load = in_memory(far_end)
    await load.open()
    far_end.errors = ["none"]
    with pytest.raises(ReplyRefused, match="error queue"):
        await load.tell("CURR 5")
