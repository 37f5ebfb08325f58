"""Jobs: claimed once, done in slices, gone on with after a fault, stopped, never written by who came late."""

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest

from clinic.accounts.models import User
from resupply.models import Job, JobPart, JobState
from resupply.services import jobs
from resupply.services.errors import Refused
from resupply.services.jobs import JobFile, Progress, kinds, working
from resupply.services.jobs.kinds import CSV, Params
from resupply.services.pulse import LEASE, LeaseLost, Pulse
from tests.builders import NOW, make_user

pytestmark = pytest.mark.django_db(transaction=True)  # the pulse looks in from a connection of its own
LATER = NOW + LEASE + timedelta(seconds=1)
Does = Callable[..., JobFile | None]


@pytest.fixture
def marta() -> User:
    return make_user(username="marta")


@pytest.fixture
def kind(monkeypatch: pytest.MonkeyPatch) -> Callable[[Does], None]:
    """Register the run of the kind "count" for one test."""

    def set_run(run: Does) -> None:
        monkeypatch.setitem(kinds._RUNS, "count", run)

    return set_run


def asked(by: User, **params: object) -> Job:
    return jobs.ask("count", params, title="Count", permission="job.see", by=by, now=NOW)


def now(job: Job) -> Job:
    return Job.objects.get(pk=job.pk)


def count_to_three(params: Params, progress: Progress, *, now: datetime) -> JobFile | None:
    """Keeps a line a number, from where it was left; breaks off before the number in `breaks`."""
    first = int(str(progress.left_at.get("done", 0))) + 1
    for number in range(first, 4):
        if params.get("breaks") == number and "broke" not in SEEN:
            SEEN.append("broke")
            raise ValueError("Odalys Brandt")
        SEEN.append(str(number))
        progress.keep({"done": number}, f"{number}\n".encode())
        progress(number, 3)
    progress.say("Counted.")
    return JobFile("count.csv", CSV, [b"end\n"])


SEEN: list[str] = []


@pytest.fixture(autouse=True)
def _forget() -> None:
    SEEN.clear()


def test_a_job_is_done_once_and_leaves_a_file(marta: User, kind: Callable[[Does], None]) -> None:
    kind(count_to_three)
    job = asked(marta)
    assert jobs.work(now=NOW)
    assert not jobs.work(now=NOW)
    done = now(job)
    assert (done.state, done.outcome, done.file_name) == (JobState.DONE, "Counted.", "count.csv")
    assert b"".join(jobs.pieces(done)) == b"1\n2\n3\nend\n"
    assert done.file_size == 10


def test_after_a_fault_it_goes_on_from_where_it_was_left(
    marta: User, kind: Callable[[Does], None], caplog: pytest.LogCaptureFixture
) -> None:
    kind(count_to_three)
    job = asked(marta, breaks=3)
    jobs.work(now=NOW)
    assert (now(job).state, now(job).left_at) == (JobState.RUNNING, {"done": 2})
    assert "ValueError" in caplog.text
    assert "Odalys" not in caplog.text
    jobs.work(now=NOW)
    assert SEEN == ["1", "2", "broke", "3"]
    assert b"".join(jobs.pieces(job)) == b"1\n2\n3\nend\n"


def test_a_slice_ends_and_the_next_goes_on(
    marta: User, kind: Callable[[Does], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    kind(count_to_three)
    monkeypatch.setattr(working, "SLICE", timedelta(0))
    job = asked(marta)
    states = []
    while jobs.work(now=NOW):
        states.append(now(job).state)
    assert states == ["waiting", "waiting", "waiting", "done"]
    assert SEEN == ["1", "2", "3"]
    assert b"".join(jobs.pieces(job)) == b"1\n2\n3\nend\n"


def test_what_takes_long_lets_others_by(
    marta: User, kind: Callable[[Does], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    kind(count_to_three)
    monkeypatch.setattr(working, "SLICE", timedelta(0))
    long, later = asked(marta), asked(marta)
    for _ in range(4):
        jobs.work(now=NOW)
    assert [now(job).left_at for job in (long, later)] == [{"done": 2}, {"done": 2}]


def test_what_fails_every_time_stops_and_may_be_tried_again(
    marta: User, kind: Callable[[Does], None]
) -> None:
    def fails(params: Params, progress: Progress, *, now: datetime) -> None:
        raise ValueError

    kind(fails)
    job = asked(marta)
    for _ in range(working.MOST_ATTEMPTS):
        assert jobs.work(now=NOW)
    assert not jobs.work(now=NOW)
    assert (now(job).state, now(job).outcome) == (JobState.FAILED, working.STOPPED)
    kind(count_to_three)
    jobs.try_again(job)
    jobs.work(now=NOW)
    assert now(job).state == JobState.DONE
    with pytest.raises(Refused, match="has not stopped"):
        jobs.try_again(job)


def test_a_refusal_stops_it_with_its_words(marta: User, kind: Callable[[Does], None]) -> None:
    def refuses(params: Params, progress: Progress, *, now: datetime) -> None:
        raise Refused("gone", "The draft was saved already.")

    kind(refuses)
    job = asked(marta)
    jobs.work(now=NOW)
    assert (now(job).state, now(job).outcome) == (JobState.FAILED, "The draft was saved already.")


def test_an_unknown_kind_stops_nobody_else(marta: User, kind: Callable[[Does], None]) -> None:
    kind(count_to_three)
    unknown = jobs.ask("no such", {}, title="x", permission="job.see", by=marta, now=NOW)
    job = asked(marta)
    while jobs.work(now=NOW):
        pass
    assert (now(unknown).state, now(job).state) == (JobState.FAILED, JobState.DONE)


def test_who_lost_the_claim_keeps_and_finishes_nothing(marta: User, kind: Callable[[Does], None]) -> None:
    kind(count_to_three)
    job = asked(marta)
    slept = working.claim(now=NOW)
    assert slept is not None
    assert working.claim(now=NOW) is None
    assert jobs.work(now=LATER)
    with Pulse(slept, now=NOW) as pulse:
        late = working._Held(slept, pulse, {})
        with pytest.raises(LeaseLost):
            late.keep({"done": 1}, b"again")
        with pytest.raises(LeaseLost):
            late.finish(JobFile("x", CSV, [b"again"]), NOW)
    assert b"".join(jobs.pieces(job)) == b"1\n2\n3\nend\n"


def test_dropped_while_it_runs_it_stops_at_the_next_step_and_leaves_no_file(
    marta: User, kind: Callable[[Does], None]
) -> None:
    job = asked(marta)

    def dropped_midway(params: Params, progress: Progress, *, now: datetime) -> None:
        progress.keep({"done": 1}, b"1\n")
        jobs.drop(job, now=now)
        progress.keep({"done": 2}, b"2\n")
        SEEN.append("went on")

    kind(dropped_midway)
    jobs.work(now=NOW)
    assert not jobs.work(now=NOW)
    assert (now(job).state, SEEN) == (JobState.DROPPED, [])
    assert not JobPart.objects.exists()


def test_dropped_while_it_runs_a_refusal_ends_nothing(
    marta: User, kind: Callable[[Does], None], caplog: pytest.LogCaptureFixture
) -> None:
    job = asked(marta)

    def refuses(params: Params, progress: Progress, *, now: datetime) -> None:
        jobs.drop(job, now=now)
        raise Refused("gone", "The draft was saved already.")

    kind(refuses)
    assert jobs.work(now=NOW)
    assert (now(job).state, now(job).outcome) == (JobState.DROPPED, "")
    assert "its claim was lost" in caplog.text


def test_a_file_goes_after_its_time(marta: User, kind: Callable[[Does], None]) -> None:
    kind(count_to_three)
    job = asked(marta)
    jobs.work(now=NOW)
    working.settle(now=now(job).finished_at + jobs.KEPT - timedelta(seconds=1))  # type: ignore[operator]
    assert now(job).file_size == 10
    working.settle(now=now(job).finished_at + jobs.KEPT)  # type: ignore[operator]
    assert (now(job).file_size, JobPart.objects.count()) == (None, 0)


def test_a_name_is_registered_once(kind: Callable[[Does], None]) -> None:
    kind(count_to_three)
    with pytest.raises(ValueError, match="count"):
        kinds.register("count")(lambda params, progress, *, now: None)
