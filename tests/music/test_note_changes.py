"""Notes changed by hand: in the notes, in every export, and under every mapping."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import mido
import msgspec
import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.export.firmware import plan_of

DISC = sonify.load_disc("cairn-small")


def played(preset: str, *notes: dict[str, Any]) -> sonify.Performance:
    return sonify.perform(DISC, [preset], {"note": list(notes)})


def place_of(show: sonify.Performance, n: int) -> dict[str, int]:
    note = show.notes[n]
    return {"row": int(note["row"]) + 1, "position": int(note["position"]) + 1}


def at(show: sonify.Performance, place: dict[str, int]) -> Any:
    notes = show.notes
    here = (notes["row"] == place["row"] - 1) & (notes["position"] == place["position"] - 1)
    return here


@pytest.mark.parametrize("preset", ["music-box", "hut-band", "bayati-evening", "spring-canon"])
def test_only_the_notes_of_the_place_change(preset: str) -> None:
    plain = played(preset)
    for n in (0, len(plain.notes) // 2, len(plain.notes) - 1):
        place = place_of(plain, n)
        here = at(plain, place)
        muted = played(preset, {**place, "mute": True})
        assert not at(muted, place).any()
        # a note that a muted one cut off may now last longer; nothing else moves
        for name in ("onset_s", "pitch", "velocity", "voice", "row", "position"):
            assert np.array_equal(muted.notes[name], plain.notes[name][~here]), name
        louder = played(preset, {**place, "accent": 200 - 74})
        assert (louder.notes["velocity"][here] == 127).all()
        assert np.array_equal(louder.notes["velocity"][~here], plain.notes["velocity"][~here])


def test_a_voice_alone_changes_and_drums_keep_their_drum() -> None:
    plain = played("hut-band")
    names = [p.name for p in plain.parts]
    drums = [p.number for p in plain.parts if p.voice.drum is not None and len(p)]
    n = int(np.flatnonzero(np.isin(plain.notes["voice"], drums))[0])
    place = place_of(plain, n)
    moved = played("hut-band", {**place, "semitones": 5})
    drum = np.isin(plain.notes["voice"], drums)
    assert np.array_equal(np.sort(moved.notes["pitch"][np.isin(moved.notes["voice"], drums)]),
                          np.sort(plain.notes["pitch"][drum]))  # fmt: skip
    one = names[int(plain.notes["voice"][n])]
    alone = played("hut-band", {**place, "voice": one, "mute": True})
    gone = at(plain, place) & (plain.notes["voice"] == plain.notes["voice"][n])
    assert len(alone.notes) == len(plain.notes) - gone.sum()
    assert len(played("hut-band", {**place, "voice": "no such voice", "mute": True}).notes) == len(
        plain.notes
    )


@pytest.mark.parametrize("preset", ["music-box", "bayati-evening"])
def test_moved_pitches_are_in_the_midi_file_and_the_score(preset: str, tmp_path: Path) -> None:
    plain = played(preset)
    place = place_of(plain, 3)
    show = played(preset, {**place, "semitones": 7, "accent": 9})
    files = []
    for k, one in enumerate((plain, show)):
        one.save(tmp_path / f"{k}.mid")
        one.save(tmp_path / f"{k}.musicxml")
        tracks = mido.MidiFile(tmp_path / f"{k}.mid").tracks
        files.append(
            # drums keep their sound
            [
                (m.note, m.velocity)
                for t in tracks
                for m in t
                if m.type == "note_on" and m.velocity and m.channel != 9
            ]
        )
    moved = int(at(plain, place).sum())
    lost = [x for x in files[0] if files[0].count(x) > files[1].count(x)]
    new = [x for x in files[1] if files[1].count(x) > files[0].count(x)]
    assert len(set(lost)) <= moved
    assert {(k + 7, v + 9) for k, v in lost} == set(new)

    def steps(k: int) -> list[str]:
        root = ElementTree.parse(tmp_path / f"{k}.musicxml").getroot()
        return [" ".join(p.itertext()) for p in root.iter("pitch")]

    assert steps(0) != steps(1)


def test_changes_outlive_another_preset_and_add_up() -> None:
    plain = played("slow-snow")
    place = place_of(plain, 4)
    twice = played("slow-snow", {**place, "semitones": 2}, {**place, "semitones": 3})
    here = at(plain, place)
    assert np.allclose(twice.notes["pitch"][here], plain.notes["pitch"][here] + 5)


def test_changes_outside_the_disc_are_said_and_wrong_ones_refused() -> None:
    show = played("music-box", {"row": 900, "position": 1, "mute": True})
    assert "1 changed note lies outside this disc" in show.cautions
    for wrong in ({"row": 0, "position": 1}, {"row": 1, "position": 1, "accent": 300}, {"row": 1}):
        with pytest.raises(InputError):
            played("music-box", wrong)


def test_a_machine_that_follows_the_mapping_is_refused() -> None:
    show = played("telegraph", {"row": 1, "position": 1, "accent": 5})
    player = msgspec.structs.replace(show.setup.music, timing="player")
    show = sonify.perform(DISC, setup=msgspec.structs.replace(show.setup, music=player))
    with pytest.raises(InputError, match="notes changed by hand"):
        plan_of(show)


def test_a_recording_of_changed_notes_is_read_with_a_caution(tmp_path: Path) -> None:
    from sonify.load import find_in
    from sonify.recover.sources.options import ReadOptions

    plain = played("music-box")
    note = {**place_of(plain, 6), "accent": 12}
    played("music-box", note).save(tmp_path / "a.mid")
    preset = tmp_path / "mine.toml"
    table = "\n".join(f"{key} = {value}" for key, value in note.items())
    preset.write_text(f"[[note]]\n{table}\n", encoding="utf-8")
    found = find_in(tmp_path / "a.mid", ReadOptions(presets=("music-box", str(preset))))
    assert found.disc.message == DISC.message
    assert any("by hand" in str(c) for c in found.sighting.cautions)
