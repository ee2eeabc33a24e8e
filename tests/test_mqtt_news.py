"""What the front makes of a state that it finds: whoever listens late is told by the same marks as everybody else."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.mqtt_news import News
from benchwarden.daemon.front.mqtt_topics import Topics
from benchwarden.daemon.serving.messages import AlarmMessage
from tests.front_rig import state_of


def alarm_for(folder: Path, **state: Any) -> AlarmMessage:
    said: list[str] = []
    news = News(Topics.of("Bird Shed", ["left"]), FeedReader(folder / "feed.sock"), folder, 1.0, "boot", said.append)

    async def hear() -> None:
        news.hear(state_of("left", run=None, **state))

    asyncio.run(hear())
    assert said == []
    alarm = news.outbox.first()  # alarms go before documents
    assert alarm is not None
    assert alarm.topic == "benchwarden/bird-shed/left/alarm"
    return AlarmMessage.model_validate(alarm.message)


@pytest.mark.parametrize(
    ("heat", "advice"),
    [
        ("hot", "HEAT: do not touch the pack"),
        ("unknown", "The temperature is not known: treat the pack as hot until it is measured. Look at"),
        ("no", "Look at the pack before anything else"),
    ],
)
def test_a_trip_that_nobody_has_acknowledged_keeps_its_mark(tmp_path: Path, heat: str, advice: str) -> None:
    found = alarm_for(tmp_path, stand="tripped", why="temperature middle_c …", heat=heat)
    assert (found.alarm, found.heat, found.output) == ("tripped", heat, "")
    assert found.text.splitlines()[-1].startswith(advice)


def test_a_question_says_that_every_output_is_off(tmp_path: Path) -> None:
    found = alarm_for(tmp_path, question={"text": "is it in the bag?", "answers": ["yes"]})
    assert (found.alarm, found.output) == ("waiting for the operator", "off")
    assert "Every output is off" in found.text
