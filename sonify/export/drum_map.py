"""The drums of a piece by their notes, so that music programs show names in place of keys."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import InputError
from sonify.midi.channels import CHANNELS, DRUM_CHANNEL
from sonify.midi.general_midi import DRUMS

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["drum_map"]

# MIDI XML names (MIDI Manufacturers Association), version 1.0 of its document type, from memory
_DOCUMENT = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE MIDINameDocument PUBLIC "-//MIDI Manufacturers Association//DTD MIDINameDocument 1.0//EN"
 "http://www.midi.org/dtds/MIDINameDocument10.dtd">
<MIDINameDocument>
  <Author>sonify</Author>
  <MasterDeviceNames>
    <Manufacturer>sonify</Manufacturer>
    <Model>{model}</Model>
    <CustomDeviceMode Name="Default">
      <ChannelNameSetAssignments>
        <ChannelNameSetAssign Channel="{channel}" NameSet="Drums"/>
      </ChannelNameSetAssignments>
    </CustomDeviceMode>
    <ChannelNameSet Name="Drums">
      <AvailableForChannels>
{available}
      </AvailableForChannels>
      <UsesNoteNameList Name="Drums"/>
    </ChannelNameSet>
    <NoteNameList Name="Drums">
{notes}
    </NoteNameList>
  </MasterDeviceNames>
</MIDINameDocument>
"""


def drum_map(show: Performance, path: Path) -> str:
    """The drums that a performance plays, from the lowest note up.

    A `.midnam` is a document of MIDI XML names. Any other file is a plain table, a line for each
    note with its number and its name (common practice, no source).

    Raises
    ------
    InputError
        The piece has no drums.
    """
    names = {number: name for name, number in DRUMS.items()}
    played = [p.keys for p in show.parts if p.voice.drum is not None]
    found = np.unique(np.concatenate([np.zeros(0, np.uint8), *played])).tolist()
    if not found:
        raise InputError("no drum plays, so there is no map to write", file=path)
    notes = [(key, names.get(key, f"note {key}")) for key in found]
    if path.suffix.casefold() != ".midnam":
        return "".join(f"{key} {name}\n" for key, name in notes)
    # loads much that nothing else needs
    from xml.sax.saxutils import escape, quoteattr

    available = (
        f'        <AvailableChannel Channel="{c + 1}" '
        f'Available="{str(c == DRUM_CHANNEL).lower()}"/>'
        for c in range(CHANNELS)
    )
    lines = (f"      <Note Number={quoteattr(str(k))} Name={quoteattr(n)}/>" for k, n in notes)
    return _DOCUMENT.format(
        model=escape(show.disc.display_name),
        channel=DRUM_CHANNEL + 1,
        available="\n".join(available),
        notes="\n".join(lines),
    )
