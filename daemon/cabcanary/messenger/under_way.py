"""Messages of the outbox that are under way to the broker: several at a time, so that a backlog goes at the broker's
speed and not at one round trip each. Each stays in the outbox until the broker has acknowledged it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import asyncio

    from cabcanary.messenger.mqtt_client import Client
    from cabcanary.messenger.outbox import Waiting

#: Unacknowledged messages at a time. A broker that names no limit of its own takes 20 of most clients; a few are left
#: for what does not come from the outbox.
MOST_UNDER_WAY = 16


class Answer(NamedTuple):
    """What the broker thought of a message; `again`: it was taken, and must be sent again to keep its topic's order."""

    n: int
    topic: str
    refused: str | None
    again: bool


class UnderWay:
    """Those of one connection. `news` is set whenever an answer has come."""

    def __init__(self, client: Client, news: asyncio.Event) -> None:
        self._client, self._news = client, news
        self._sent: dict[int, tuple[str, asyncio.Future[str | None]]] = {}
        #: Followers of a refused message of their topic. Should the broker take one of them all the same, because it
        #: has just been told otherwise, the topic would end with the older state once that is sent again.
        self._overtaking: set[int] = set()
        #: Topics at which this broker has taken something. At others one message is tried, and not a whole row.
        self._open: set[str] = set()

    @property
    def numbers(self) -> frozenset[int]:
        """Their numbers in the outbox."""
        return frozenset(self._sent)

    @property
    def tried(self) -> frozenset[str]:
        """Topics that are being tried: nothing more may be sent there until the answer has come."""
        return frozenset(topic for topic, _ in self._sent.values() if topic not in self._open)

    @property
    def room(self) -> int:
        """How many more may be sent now. MQTT 5 lets a broker name its own limit (section 3.2.2.3.3)."""
        return max(1, min(MOST_UNDER_WAY, self._client.receive_maximum - 1)) - len(self._sent)

    def send(self, waiting: Waiting) -> None:
        """Send one, and wait for nothing.

        Raises:
            aiomqtt.MqttError: the connection is gone.
        """
        answer = self._client.send(waiting.topic, waiting.payload, retain=waiting.retain)
        answer.add_done_callback(lambda _: self._news.set())
        self._sent[waiting.n] = waiting.topic, answer

    def answers(self) -> list[Answer]:
        """What has been answered since this was last asked, in the order in which it was sent."""
        return [self._answer(n) for n, (_, answer) in list(self._sent.items()) if answer.done()]

    def _answer(self, n: int) -> Answer:
        topic, answer = self._sent.pop(n)
        refused, again = answer.result(), n in self._overtaking
        self._overtaking.discard(n)
        if refused is None:
            self._open.add(topic)
        else:
            self._open.discard(topic)
            self._overtaking.update(other for other, (at, _) in self._sent.items() if at == topic and other > n)
        return Answer(n, topic, refused, again and refused is None)
