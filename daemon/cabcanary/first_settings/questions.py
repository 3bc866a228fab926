"""The questions, in a person's words and in the order in which a vehicle is looked at."""

from __future__ import annotations

from cabcanary.first_settings.offers import (
    answer_is,
    buses,
    choices,
    converters,
    inputs,
    items,
    known,
    ports,
    rates,
    stage_of,
    stages,
)
from cabcanary.first_settings.question import Question, get

_VOLTAGE, _TEXT = answer_is("wideband.signal", "voltage"), answer_is("wideband.signal", "text")
_BOOSTED = answer_is("compressor.kind", "displacement", "centrifugal", "turbo")

QUESTIONS: tuple[Question, ...] = (
    Question("vehicle.name", "What do you call the vehicle?"),
    Question("vehicle.displacement", 'How large is its engine, such as "1.8 L"?', form="quantity"),
    Question(
        "vehicle.fuel",
        "What does it burn?",
        "Stoichiometric air to fuel depends on it; lambda does not.",
        offers=choices("vehicle.fuel", E10="petrol with up to 10 % ethanol", E5="petrol with up to 5 %", E85="E85"),
    ),
    Question(
        "vehicle.stages",
        "In which stages will it be built? Names in their order, with ; between them.",
        "Each stage has limits of its own, and what is normal is measured in each anew.",
        form="names",
        offers=stages,
    ),
    Question("vehicle.stage", "In which of them is it now?", offers=stage_of("vehicle.stage")),
    Question(
        "compressor.kind",
        "What will make the boost?",
        "How boost grows with engine speed decides what is a loss of it.",
        offers=choices(
            "compressor.kind",
            displacement="a displacement compressor on a belt: screw or lobes",
            centrifugal="a centrifugal compressor on a belt",
            turbo="a wheel driven by the exhaust",
            none="nothing",
        ),
    ),
    Question("compressor.from", "From which stage on is it fitted?", when=_BOOSTED, offers=stage_of("compressor.from")),
    Question(
        "compressor.full_boost_from",
        'From which engine speed on does an open throttle make boost, such as "3000 rpm"?',
        "Take a speed at which it surely does. Boost that stays away above it counts as lost.",
        form="quantity",
        when=_BOOSTED,
    ),
    Question(
        "converter.device",
        "Which analog-digital converter are the sensors wired to?",
        "It needs a driver in the kernel (IIO or hwmon), which gives it a name.",
        offers=converters,
        nothing="None is there: is it wired, and its driver loaded? Its name may be typed.",
    ),
    Question(
        "converter.highest",
        'Up to which voltage can its inputs tell, such as "5 V" or "4.096 V"?',
        "A sensor that goes higher is cut off there, and its upper end is never seen.",
        form="quantity",
        when=known("converter.device"),
    ),
    Question(
        "wideband.signal",
        "How does the wideband's controller give its value?",
        offers=choices(
            "wideband.signal", voltage="as a voltage, to the converter", text="as lines of text, by serial port"
        ),
    ),
    Question(
        "wideband.input",
        "To which input is it wired? The volts are those of now.",
        when=_VOLTAGE,
        offers=inputs("wideband.input"),
    ),
    Question(
        "wideband.port",
        "At which port is it?",
        when=_TEXT,
        offers=ports,
        nothing="There is no serial port here. Its path may be typed.",
    ),
    Question(
        "wideband.baud",
        "At how many baud does it talk? (It was listened to; nothing is sent.)",
        form="number",
        when=_TEXT,
        offers=rates,
        nothing="Nothing that can be read was heard: is it on, and is it this port? The rate may be typed.",
    ),
    Question(
        "wideband.item",
        "Which number of its line is the mixture?",
        when=_TEXT,
        offers=items,
        nothing="Nothing is heard now; its name, or field1 for the first number, may be typed.",
    ),
    Question(
        "wideband.not_ready",
        "Which word does it say while it heats, if it says one? Several with , between them.",
        "Without one, a time is waited that you are asked for below.",
        form="words",
        when=_TEXT,
    ),
    Question("wideband.error", "And which when something is wrong with it?", form="words", when=_TEXT),
    Question(
        "wideband.scale",
        "Is its number lambda, or AFR?",
        "AFR says nothing without the scale that the controller was set to.",
        offers=choices("wideband.scale", **{"lambda": "lambda: about 1 at idle", "AFR": "AFR: about 14 at idle"}),
    ),
    Question(
        "wideband.afr_scale",
        "Which AFR does it show at lambda 1? Its manual says so; 14.7 for many.",
        form="number",
        when=answer_is("wideband.scale", "AFR"),
    ),
    Question(
        "wideband.points",
        'What do its volts mean? Points from its manual, such as "0 = 0.68, 5 = 1.36".',
        "Slope and ends differ from maker to maker; a wrong curve looks like a good mixture.",
        form="points",
        when=_VOLTAGE,
    ),
    Question(
        "wideband.rails",
        'Between which volts is it well, such as "0.05 to 4.95"? Outside it is broken, or says so itself.',
        "Ask the manual what it gives while it is cold, and with a fault.",
        form="pair",
        when=_VOLTAGE,
    ),
    Question(
        "wideband.ends",
        'From which to which lambda does it read, such as "0.65 to 1.50"?',
        form="pair",
        when=_TEXT,
    ),
    Question(
        "wideband.warm_up", 'How long does it heat, such as "20 s"?', form="quantity", when=known("wideband.signal")
    ),
    Question(
        "wideband.response_time",
        'How fast is it, such as "100 ms"? The manual has it, or take 100 ms.',
        form="quantity",
        when=known("wideband.signal"),
    ),
    Question("exhaust.length", 'How long is the pipe from the ports to it, such as "1.2 m"?', form="quantity"),
    Question("exhaust.bore", 'And how wide inside, such as "48 mm"?', form="quantity"),
    Question(
        "manifold_pressure.input",
        "To which input is the manifold's pressure sensor wired?",
        offers=inputs("manifold_pressure.input"),
    ),
    Question(
        "manifold_pressure.against",
        "What is its zero?",
        "With the engine standing, one against vacuum shows about 100 kPa, and one against the air shows 0.",
        offers=choices(
            "manifold_pressure.against", vacuum="vacuum: absolute pressure", air="the air around it: gauge pressure"
        ),
    ),
    Question(
        "manifold_pressure.unit",
        "In which unit are the points of its data sheet?",
        offers=choices("manifold_pressure.unit", kPa="kPa", bar="bar", psi="psi", mbar="mbar", inHg="inHg"),
    ),
    Question(
        "manifold_pressure.points",
        'What do its volts mean? Points from its data sheet, such as "0.5 = 20, 4.5 = 250".',
        form="points",
    ),
    Question(
        "manifold_pressure.accuracy",
        "What is its limit of error, in that unit?",
        "It decides whether boost is surely above a limit or only may be.",
        form="number",
    ),
    Question(
        "supply.input",
        "To which input is the vehicle's supply wired, through two resistors?",
        "Fused at its source, never from restraint, brake or steering circuits.",
        offers=inputs("supply.input"),
    ),
    Question(
        "supply.upper",
        'How large is the upper resistor, such as "30 kohm"?',
        form="quantity",
        when=known("supply.input"),
    ),
    Question("supply.lower", 'And the lower one, such as "10 kohm"?', form="quantity", when=known("supply.input")),
    Question(
        "bus.channel",
        "Is there an adapter on the vehicle's bus? Only standard read services are asked.",
        "A service that reads is an answer to a question: this is the one wire on which something is sent.",
        offers=buses,
    ),
    Question(
        "bus.bitrate",
        "At how many bits a second? 500000 for most.",
        form="number",
        when=answer_is("bus.interface", "slcan"),
    ),
    Question(
        "bus.pressure_sensor",
        "Has the engine a manifold pressure sensor of its own?",
        form="yes",
        when=known("bus.channel"),
    ),
    Question(
        "engine_speed.input",
        "To which input is a converter for engine speed wired?",
        when=lambda raw: get(raw, "bus.channel") is None,
        offers=inputs("engine_speed.input"),
    ),
    Question(
        "engine_speed.points",
        'What do its volts mean in rpm, such as "0 = 0, 5 = 8000"?',
        form="points",
        when=known("engine_speed.input"),
    ),
    Question(
        "charge_temperature.input",
        "To which input is a thermistor behind the compressor wired?",
        offers=inputs("charge_temperature.input"),
    ),
    Question(
        "charge_temperature.pull_up",
        'Under which resistor to 5 V, such as "2.49 kohm"?',
        form="quantity",
        when=known("charge_temperature.input"),
    ),
    Question(
        "charge_temperature.r25",
        'What is it at 25 °C, such as "10 kohm"?',
        form="quantity",
        when=known("charge_temperature.input"),
    ),
    Question(
        "charge_temperature.beta", "And its beta, such as 3950?", form="number", when=known("charge_temperature.input")
    ),
    Question("outputs.buzzer_pin", "On which pin is the buzzer, by its GPIO number?", form="number"),
    Question("outputs.lamp_pin", "And the lamp, if there is one?", form="number"),
    Question("recordings.folder", "Where are drives kept? /var/lib/cabcanary if you do not mind."),
    Question(
        "hoses.unit",
        "In which unit do you think of boost?",
        offers=choices("hoses.unit", psi="psi", bar="bar", kPa="kPa"),
    ),
    Question(
        "hoses.by_stage",
        "What does the weakest joint of each stage stand, above the air?",
        "A small line pushed on without a clamp holds at 7 to 8 psi and comes off towards 14 (common practice).",
        form="by stage",
    ),
    Question(
        "tuner.ceiling",
        'The leanest mixture that your tuner allows, by boost in psi, such as "0 = 1.04, 2 = 0.88, 8 = 0.85"?',
        "Nobody but a qualified tuner of your engine can say it. Until then an example stands there, marked as one.",
        form="points",
    ),
    Question("tuner.manifold_highest", 'What does the engine stand, absolute, such as "185 kPa"?', form="quantity"),
    Question(
        "tuner.near_limiter",
        'Just below which speed does the engine computer cut fuel, such as "6000 rpm"?',
        form="quantity",
    ),
    Question("tuner.confirmed_by", "Who has confirmed these limits? Leave it until somebody has."),
)
