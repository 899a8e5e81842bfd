"""Recordings that are played again: in strict order, and tolerantly."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.conversation import OPENING, Exchange
from drivers.errors import NotThere, Refused
from drivers.recorded import RecordedLink, failure_of
from drivers.score import RecordingDiffers, Score, TolerantScore


def exchanges(*said: str) -> list[Exchange]:
    """``supply A?`` is a query, ``supply A`` a command; each lasts a second."""
    made = []
    for at, text in enumerate(said):
        instrument, message = text.split()
        reply = str(at).encode() if message.endswith("?") else None
        made.append(Exchange(at + 1, instrument, float(at), message.encode(), reply, 1.0, None))
    return made


SAID = ("supply A?", "analyzer B", "analyzer C?", "supply A?", "supply D")


def test_strict_order_is_one_order_for_all() -> None:
    """Another instrument's turn is as wrong as another message, and the first difference stays the difference."""
    score = Score(exchanges(*SAID))
    score.take("supply", b"A?")
    with pytest.raises(RecordingDiffers) as caught:
        score.take("supply", b"A?")
    assert (caught.value.mismatch.place, caught.value.mismatch.kind) == (1, "another")
    assert caught.value.mismatch.recorded == exchanges(*SAID)[1]
    with pytest.raises(RecordingDiffers) as again:
        score.take("analyzer", b"B")
    assert again.value.mismatch == caught.value.mismatch
    assert score.due("analyzer") is None


def test_what_comes_after_the_end_is_too_many() -> None:
    """And is told as that."""
    score = Score(exchanges("supply A?"))
    score.take("supply", b"A?")
    with pytest.raises(RecordingDiffers, match="the recording has ended"):
        score.take("supply", b"A?")


def test_bytes_that_only_count_messages_may_differ() -> None:
    """As the identifiers of Modbus/TCP."""
    score = Score(exchanges("chamber 12abc"), {"chamber": 2})
    assert score.take("chamber", b"34abc").sent == b"12abc"


@given(st.lists(st.sampled_from(SAID), max_size=30))
def test_a_tolerant_score_finds_nothing_in_the_same(said: list[str]) -> None:
    """Each takes its own, replies and all."""
    recorded = exchanges(*said)
    score = TolerantScore(recorded)
    assert [score.take(one.instrument, one.sent) for one in recorded] == recorded
    assert (score.mismatches, score.left()) == ([], [])


def test_a_tolerant_score_lists_what_is_new_and_what_is_left() -> None:
    """A message that was dropped, one that was added, and the rest with the replies of their own place."""
    recorded = exchanges("supply A?", "supply X", "supply A?", "analyzer B", "supply A?")
    score = TolerantScore(recorded)
    replies = [score.take("supply", b"A?").received for _ in range(3)]
    score.take("analyzer", b"NEW")
    score.take("analyzer", b"B")

    assert replies == [b"0", b"2", b"4"]
    assert [(one.kind, one.sent) for one in score.mismatches] == [("too many", b"NEW")]
    assert [(one.kind, one.sent, one.place) for one in score.left()] == [("left", b"X", 1)]


def test_two_messages_that_have_changed_places_are_no_difference() -> None:
    """Order is what tolerance lets go."""
    recorded = exchanges("supply A", "supply D", "supply A", "supply D")
    score = TolerantScore(recorded)
    for message in (b"D", b"A", b"D", b"A"):
        score.take("supply", message)
    assert (score.mismatches, score.left()) == ([], [])


def test_a_query_that_is_asked_once_more_gets_the_last_reply_again() -> None:
    """So that a replay can go on."""
    score = TolerantScore(exchanges("supply A?"))
    assert [score.take("supply", b"A?").received for _ in range(2)] == [b"0", b"0"]
    assert [one.kind for one in score.mismatches] == ["too many"]


def test_a_line_that_could_not_be_opened_again_cannot_be() -> None:
    """Its exchange has sent nothing; one that could be opened has left none."""
    gone = Exchange(1, "supply", 0.0, OPENING, None, 1.0, "NotThere: the connection was refused")
    link = RecordedLink(Score([gone, *exchanges("supply A?")]), "supply")
    with pytest.raises(NotThere, match="the connection was refused"):
        link.clear()
    link.clear()
    link.send(b"A?")
    assert link.receive() == b"0"


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("Refused: error -113", Refused, "error -113"),
        ("KeyboardInterrupt: ", KeyboardInterrupt, ""),
        ("ValueError: a: b", ValueError, "a: b"),
    ],
)
def test_failures_are_made_again_of_their_class(text: str, kind: type[BaseException], said: str) -> None:
    """Of instruments, people and mistakes."""
    made = failure_of(text)
    assert type(made) is kind
    assert str(made) == said
