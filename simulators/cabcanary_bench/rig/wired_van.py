"""The bench van whole: vehicle, sensors and wiring under one folder, driven through a scenario."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from cabcanary_bench.faults.effects import HEALTHY
from cabcanary_bench.sensors.outputs import Sensors
from cabcanary_bench.van.electrics import COMPUTER_FAILS_V
from cabcanary_bench.van.vehicle import DriverInput
from cabcanary_bench.wiring.host_files import HostFiles
from cabcanary_bench.wiring.obd import ObdResponder, van_pids
from cabcanary_bench.wiring.serial_pty import SerialPty
from cabcanary_bench.wiring.slcan import SlcanAdapter
from cabcanary_bench.wiring.voltage_tree import VoltageTree

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.sensors.outputs import Outputs
    from cabcanary_bench.sensors.traits import Traits
    from cabcanary_bench.van.vehicle import Truth

STEP_S = 0.01
#: The wideband sends at 50 Hz: every second step.
_LINE_EVERY = 2
MAP_CHANNEL, SUPPLY_CHANNEL, CHARGE_CHANNEL = 0, 1, 2
CONVERTER_NAME = "bench-converter"


class Row(NamedTuple):
    """What the sensors put out at a step, for grading: pressures in kPa, None where nothing was shown."""

    time_s: float
    lambda_shown: float | None
    map_kpa: float | None
    boost_kpa: float | None
    fuel_cut: bool
    phase: str


class BenchVan:
    """The van on its wiring: `folder/iio`, `folder/tty-wideband`, `folder/tty-can`, `folder/host`.

    Call `step` once per 10 ms of the drive, in order. Nothing here keeps time or sleeps.
    """

    def __init__(self, folder: Path, scenario: Scenario, seed: int = 1, traits: Traits | None = None) -> None:
        self.scenario = scenario
        self.vehicle = scenario.vehicle()
        self.sensors = Sensors(seed, traits)
        self.truth: Truth = self.vehicle.truth(DriverInput(key_on=False, crank=False, target_speed_km_h=0.0))
        self.outputs: list[Row] = []
        folder.mkdir(parents=True, exist_ok=True)
        channels = [MAP_CHANNEL, SUPPLY_CHANNEL, CHARGE_CHANNEL]
        self.voltages = VoltageTree(folder / "iio", CONVERTER_NAME, channels)
        self.wideband = SerialPty(folder / "tty-wideband")
        self.can = SlcanAdapter(folder / "tty-can")
        self.host = HostFiles(folder / "host")
        self.obd = ObdResponder(self.can, van_pids(lambda: self.truth))
        self._steps = 0
        self._broken = HEALTHY

    def step(self, time_s: float) -> Outputs:
        """Advance by 10 ms from this time of the drive, and put the result on the wires."""
        self.truth = self.vehicle.step(STEP_S, self.scenario.input(time_s))
        shown = self.sensors.step(self.truth, self.vehicle.effects)
        effects = self.vehicle.effects
        self.obd.awake = self.truth.key_on and self.truth.supply_v > COMPUTER_FAILS_V and not effects.can_silent
        self._break_wires(effects)
        self._write_voltages(shown, effects)
        if self._steps % _LINE_EVERY == 0 and shown.line:
            self.wideband.write(shown.line)
        self._steps += 1
        phase = self.scenario.phase_at(time_s).name
        self.outputs.append(Row(time_s, shown.wideband, shown.map_kpa, shown.boost_kpa, self.truth.fuel_cut, phase))
        return shown

    def _write_voltages(self, shown: Outputs, effects: Effects) -> None:
        if effects.converter_hung:
            for channel in (MAP_CHANNEL, SUPPLY_CHANNEL, CHARGE_CHANNEL):
                self.voltages.fail(channel)
        elif not effects.converter_frozen:
            self.voltages.write(MAP_CHANNEL, shown.map_v)
            self.voltages.write(SUPPLY_CHANNEL, shown.supply_v)
            self.voltages.write(CHARGE_CHANNEL, shown.charge_v)

    def _break_wires(self, effects: Effects) -> None:
        """Plugs out and in, and a disturbed line, as faults come and go; whoever pulls a plug by hand is left alone."""
        before, self._broken = self._broken, effects
        if before.wideband_unplugged is not effects.wideband_unplugged:
            (self.wideband.unplug if effects.wideband_unplugged else self.wideband.replug)()
        if before.adapter_unplugged is not effects.adapter_unplugged:
            (self.can.unplug if effects.adapter_unplugged else self.can.replug)()
        if before.serial_noise != effects.serial_noise:
            self.wideband.disturbed = effects.serial_noise

    def close(self) -> None:
        """Take everything off the wires. May be called twice."""
        self.can.close()
        self.wideband.close()
        self.voltages.close()
