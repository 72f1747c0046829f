"""Generator e makes what it says, by the measures of the record that serve for generator d; the two
share no code."""

from __future__ import annotations

import numpy as np
import pytest

from tests.nightly import sampled
from tests.world import machine_e as e
from tests.world.test_generators_d import marked, notes, rows_found


@pytest.mark.parametrize("fault", sampled(e.FAULTS, 4))
def test_each_fault_shows_in_its_record(fault):
    take, sound = e.pair(2, fault)
    assert take.faults == (fault,)
    assert take.grid_read.shape == take.disc.grid.shape
    assert (sound.grid_read == take.disc.grid).all()
    assert marked(fault, take, sound), (take.where, take.conditions)


@pytest.mark.parametrize("seed", sampled(range(1, 6), 2))
def test_a_sound_record_holds_the_design(seed):
    take = e.healthy(seed)
    if take.presets:
        assert len(notes(take)) > 10
    else:
        assert rows_found(take) == take.disc.rows


def test_machines_differ():
    takes = [e.healthy(s) for s in range(1, 13)]
    assert np.ptp(np.log([t.settings["rpm"] for t in takes])) > np.log(4)
    assert len({t.conditions["kind"] for t in takes}) >= 4


def test_a_seed_gives_the_same_bytes():
    for fault in ("noise", "lamp-hum", "midi-late"):
        assert e.faulty(4, fault).files == e.faulty(4, fault).files


def test_the_generators_name_the_same_faults():
    from tests.world import machine_d

    assert e.FAULTS == machine_d.FAULTS
    with pytest.raises(ValueError, match="no fault 'rust'"):
        e.faulty(1, "rust")
