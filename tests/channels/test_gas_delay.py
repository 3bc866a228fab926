"""The way of the gas: volume times density over flow, and an engine cycle."""

import dataclasses
import math

import pytest

from cabcanary.channels.gas import pipe_of
from cabcanary.channels.gas_delay import Pipe, air_flow_kg_s, gas_delay_s, volume_flow_m3_s
from cabcanary.settings.derived import Pipe as PipeSettings

# A pipe of 63.5 mm bore, 1.0 m long; 2.5 litres.
PIPE = Pipe(math.pi / 4 * 0.0635**2 * 1.0, 2.5e-3, 1.0, 300.0, 2.0)


# Volume x density / flow at 1 atm, ideal gas with R = 287.05 J/(kg K), by hand: 3 g/s at 600 K 621 ms, 10 g/s at
# 750 K 149 ms, 40 g/s at 950 K 29 ms, 150 g/s at 1150 K 6 ms; plus two turns: 171, 60 and 20 ms at 700, 2000, 6000 rpm.
@pytest.mark.parametrize(
    ("flow_g_s", "rpm", "milliseconds"),
    [(3, 700, 621 + 171), (10, 2000, 149 + 60), (40, 4000, 29 + 30), (150, 6000, 6 + 20)],
)
def test_the_delay_is_the_pipes_volume_over_the_flow(flow_g_s: float, rpm: float, milliseconds: float) -> None:
    # Manifold pressure at which this engine takes this flow: p = flow R T / (V/2 n).
    pascal = flow_g_s / 1000 * 287.05 * 300.0 / (2.5e-3 / 2 * rpm / 60)
    assert air_flow_kg_s(PIPE, rpm, pascal) == pytest.approx(flow_g_s / 1000)
    assert gas_delay_s(PIPE, rpm, pascal) * 1000 == pytest.approx(milliseconds, abs=2.0)


def test_the_delay_is_longest_when_nothing_flows() -> None:
    assert gas_delay_s(PIPE, 0.0, 100e3) == 2.0
    assert gas_delay_s(PIPE, 800.0, 0.0) == 2.0


def test_a_dead_time_is_added_and_comes_from_the_settings() -> None:
    late = dataclasses.replace(PIPE, dead_s=0.03)
    assert gas_delay_s(late, 2000.0, 60e3) == pytest.approx(gas_delay_s(PIPE, 2000.0, 60e3) + 0.03)
    # The way is the volume over the flow, beside a cycle of 60 ms.
    assert PIPE.volume_m3 / volume_flow_m3_s(PIPE, 2000.0, 60e3) == pytest.approx(
        gas_delay_s(PIPE, 2000.0, 60e3) - 0.06
    )
    assert volume_flow_m3_s(PIPE, 2000.0, 0.0) == 0.0
    said = PipeSettings.model_validate(
        {"volume": "2 L", "displacement": "2.5 L", "engine_speed": "rpm", "pressure": "map", "dead_time": "25 ms"}
    )
    assert pipe_of(said) == Pipe(2e-3, 2.5e-3, 0.85, 313.15, 1.0, pytest.approx(0.025))
