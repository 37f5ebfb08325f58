"""What happens in which order: a crowd is committed in waves, and meanwhile something breaks."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from random import Random

from django.db import Error, connection

from resupply.models import Message, MessageState
from tests.faults.breaking import Breaking
from tests.faults.entry import POINTS
from tests.faults.office import wait_until
from tests.faults.people import Crowd
from tests.faults.reckoning import Count, reckon
from tests.faults.stand import Stand


@dataclass(frozen=True)
class Scenario:
    """`strike` breaks things while reminders are committed; None: nothing breaks. `may_double`: the fault may
    cost copies. `to_person`: so many of a
    hundred reminders may end in doubt and be left to a person, where a mail may break off twice."""

    name: str
    strike: Callable[[Breaking], None] | None
    workers: int = 2
    beats: int = 1
    share: int = 1
    may_double: bool = True
    to_person: float = 0.0


def play(scenario: Scenario, on: Stand, *, reminders: int, random: Random, waves: int = 8) -> Count:
    """Run a scenario from start to end; return what came of it."""
    began = time.monotonic()
    on.have(workers=scenario.workers, beats=scenario.beats)
    crowd = Crowd(scenario.name.replace(" ", "_").replace(",", ""), Random(random.random()))
    writer = _Writer(crowd, crowd.kinds(reminders), waves, span=on.scaled(120))
    breaking = Breaking(on, random, writer)
    writer.start()
    try:
        if scenario.strike is not None:
            scenario.strike(breaking)
            breaking.clear()
    finally:
        writer.join()
    if writer.error is not None:
        raise writer.error
    _drain(crowd, on)
    count = reckon(crowd, on.office.taken, on.rows("passed"))
    count.scenario = scenario.name
    count.heartbeat = max(breaking.heartbeats, default=None)
    count.wrong += breaking.overwritten() + breaking.problems
    count.seconds = time.monotonic() - began
    doubtful = count.to_person - crowd.counted("unknown")
    if doubtful > scenario.to_person * count.reminders / 100:
        count.wrong.append(f"{doubtful} left to a person")
    return count


class _Writer(threading.Thread):
    """Commits a crowd in waves over a span of time."""

    def __init__(self, crowd: Crowd, kinds: list[str], waves: int, *, span: float) -> None:
        super().__init__(daemon=True)
        self.crowd, self.pause = crowd, span / waves
        size = -(-len(kinds) // waves)
        self.waves = [kinds[start : start + size] for start in range(0, len(kinds), size)]
        self.error: BaseException | None = None

    def run(self) -> None:
        try:
            for wave in self.waves:
                self.crowd.commit(wave)
                time.sleep(self.pause * self.crowd.random.uniform(0.5, 1.5))
            self.crowd.turn()
        except BaseException as error:  # handed to the thread that waits
            self.error = error
        finally:
            connection.close()


def _drain(crowd: Crowd, on: Stand) -> None:
    """Wait until everybody who is due has a message that is closed; then for another sweep and what it rings,
    so that what must not be sent would be.
    """
    ours = Message.objects.filter(patient__reference__contains=f"-{crowd.mark}-")
    due = sum(crowd.counted(kind) for kind in ("due", "unknown"))

    def is_done() -> bool:
        try:
            left = ours.filter(state__in=[MessageState.WAITING, MessageState.SENDING]).count()
            plain = ours.filter(patient__reference__regex="^(due|unknown)-").count()
        except Error:
            connection.close()
            return False
        return left == 0 and plain >= due

    wait_until(is_done, f"{crowd.name}: everything is sent or closed", seconds=240)
    on.heartbeat_returns()
    time.sleep(on.scaled(60))
    on.heartbeat_returns()
    wait_until(is_done, f"{crowd.name}: still", seconds=240)


def _killed_at(point: str, how: str) -> Scenario:
    return Scenario(
        f"{how} killed, {POINT_WORDS[point]}",
        partial(Breaking.kill_at, point=point, how=f"kill {how}"),
        to_person=3,  # two of the three strikes may hit the same mail
    )


def _frozen_at(point: str) -> Scenario:
    return Scenario(f"worker frozen, {POINT_WORDS[point]}", partial(Breaking.freeze_at, point=point))


POINT_WORDS = {
    "claimed": "after claim",
    "looked": "after look-again",
    "begun": "after begin",
    "taken": "between 250 and mark",
    "marked": "after mark",
}
assert POINT_WORDS.keys() == POINTS.keys()

SCENARIOS = (
    Scenario("nothing breaks", None, share=3, may_double=False),
    *(_killed_at(point, "child") for point in POINTS),
    *(_killed_at(point, "worker") for point in POINTS),
    *(_frozen_at(point) for point in POINTS),
    Scenario("queue flushed", Breaking.flush, may_double=False),
    Scenario("queue killed and restarted", Breaking.kill_redis, may_double=False),
    Scenario("queue half open", Breaking.half_open, may_double=False),
    Scenario("no queue for an hour", Breaking.no_queue, may_double=False),
    Scenario("clock steps back an hour", Breaking.clock_back, may_double=False),
    Scenario("old and new version overlap", Breaking.overlap, workers=2, share=4, may_double=False),
    Scenario("database restarted", Breaking.restart_database),
    Scenario("database killed", Breaking.kill_database),
    Scenario("mail server shut", Breaking.shut_office, to_person=5),
    Scenario("mail server refuses", partial(Breaking.mood, mood="refuses"), may_double=False),
    Scenario("mail server slow", partial(Breaking.mood, mood="slow", share=0.1), may_double=False),
    Scenario(
        "mail server slower than the time-out", partial(Breaking.mood, mood="sleeps", share=0.05), to_person=5
    ),
    Scenario("mail server cuts after its 250", partial(Breaking.mood, mood="cuts after"), may_double=False),
    Scenario(
        "mail server cuts before its 250", partial(Breaking.mood, mood="cuts before", share=0.2), to_person=20
    ),
    Scenario("mail server hangs up", partial(Breaking.mood, mood="hangs up", share=0.5), may_double=False),
    Scenario("two schedulers", None, beats=2, may_double=False),
    Scenario("no scheduler for ten minutes", Breaking.no_beat, may_double=False),
    Scenario("workers told to end, again and again", Breaking.terminate, share=4, may_double=False),
    Scenario("everything at random", Breaking.storm, share=12, to_person=5),
)
