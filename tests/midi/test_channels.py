"""Channel messages, as mido reads them (MIDI 1.0, tables II and III)."""

from __future__ import annotations

import mido
import pytest

from sonify.midi.channels import channel_reset, channel_setup


@pytest.mark.parametrize("channel", range(16))
@pytest.mark.parametrize("full", [False, True])
def test_all_messages_are_of_the_channel(channel: int, full: bool) -> None:
    made = channel_setup(
        channel, program=40, bank=300, volume=99, pan=-0.5, glide=0.25, full=full
    ) + channel_reset(channel, (5, 65))
    read = [mido.Message.from_bytes(one) for one in made]
    assert {one.channel for one in read} == {channel}
    control = [(m.control, m.value) for m in read if m.type == "control_change"]
    for pair in ((0, 300 >> 7), (32, 300 & 127), (7, 99), (10, 32), (5, 32), (65, 127)):
        assert pair in control
    assert control.count((121, 0)) == 1 + full
    assert [m.program for m in read if m.type == "program_change"] == [40]
