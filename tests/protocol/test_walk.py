"""The way through a program, against the plain list of what it says."""

from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.program import AnySegment, Block
from luggin.protocol.walk import Walk
from support.bench import block, hold, program, rest

blocks = st.lists(
    st.builds(
        lambda phase, levels, repeat, on_stop: block(
            *(hold(level, 1.0) for level in levels), phase=phase, repeat=repeat, on_stop=on_stop
        ),
        phase=st.integers(0, 2),
        levels=st.lists(st.floats(-1, 1), min_size=1, max_size=3),
        repeat=st.integers(1, 3),
        on_stop=st.booleans(),
    ),
    min_size=1,
    max_size=5,
)


@given(blocks, st.integers(0, 60))
def test_every_segment_of_every_repeat_comes_in_order_until_a_stop(given_blocks: list[Block], stop_after: int) -> None:
    wanted = program(*given_blocks)
    flat = [
        (number, segment) for number, b in enumerate(wanted.blocks) for _ in range(b.repeat) for segment in b.segments
    ]
    walk, walked = Walk(wanted), list[AnySegment]()
    while len(walked) <= stop_after and walk.forward():
        walked.append(walk.segment)
    assert walked == [segment for _, segment in flat[: stop_after + 1]]
    if stop_after >= len(flat):
        return
    here = flat[stop_after][0]
    walk.stop()
    left, leave = [], True
    while walk.forward(leave):
        left.append(walk.segment)
        leave = False
    meant = [(n, b) for n, b in enumerate(wanted.blocks) if n > here and b.on_stop]
    assert left == [segment for _, b in meant for _ in range(b.repeat) for segment in b.segments]


def test_cycles_count_on_through_the_blocks_of_a_phase() -> None:
    wanted = program(
        block(rest(1.0), phase=0),
        block(hold(0.1, 1.0), hold(0.2, 1.0), phase=1, repeat=2),
        block(hold(0.3, 1.0), phase=1),
        block(rest(1.0), phase=2),
    )
    walk, cycles = Walk(wanted), []
    while walk.forward():
        cycles.append((walk.block.phase, walk.cycle))
    assert cycles == [(0, 1), (1, 1), (1, 1), (1, 2), (1, 2), (1, 3), (2, 1)]


def test_leaving_a_block_skips_its_repeats() -> None:
    walk = Walk(program(block(hold(0.1, 1.0), hold(0.2, 1.0), repeat=5), block(hold(0.3, 1.0))))
    walk.forward()
    walk.forward(leave_block=True)
    assert walk.segment == hold(0.3, 1.0)
    assert not walk.forward()


def test_where_a_hold_may_take_effect() -> None:
    def places(pause: str) -> tuple[list[bool], list[bool]]:
        walk = Walk(program(block(hold(0.1, 1.0), hold(0.2, 1.0), repeat=2, pause=pause), block(hold(0.3, 1.0))))
        here, later = [], []
        while walk.forward():
            here.append(walk.may_pause_here())
            later.append(walk.may_pause_later())
        return here, later

    assert places("never") == ([False] * 5, [False] * 5)
    assert places("any-time") == ([True] * 4 + [False], [True] * 4 + [False])
    assert places("between-repeats") == ([False, False, True, False, False], [True, True, False, False, False])
    assert places("between-segments") == ([False, True, True, True, False], [True, True, True, False, False])
