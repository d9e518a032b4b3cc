"""What a run came to: why homes were not corrected, each home once."""

from __future__ import annotations

from corrections import DAYS, A, episode, episode_table

from pipeline.correction.outcome import not_corrected


def test_a_home_with_any_corrected_episode_is_not_among_those_left() -> None:
    episodes = episode_table(
        A,
        episode("a", DAYS[3], why_not="too unsure"),
        episode("b", DAYS[0], DAYS[1], why_not="nothing to go by"),
        episode("b", DAYS[2], why_not="too unsure"),
        episode("c", DAYS[0], why_not="nothing to go by"),
        episode("d", DAYS[0], why_not="nothing to go by"),
    )
    assert list(not_corrected(episodes).items()) == [("nothing to go by", 2), ("too unsure", 1)]
    assert not_corrected(episode_table()) == {}
