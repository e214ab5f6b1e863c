"""The terms of pages, commands and lessons with their meanings: the only source for all of them.

A new term on a page or in a command is added here; a test compares this list with what the program
writes.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from crashsense.errors import unknown_name

#: Groups in which ``crashsense words`` lists them -> word -> meaning.
GROUPS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "What happens": {
            "event": "One crash, misuse or rough-road occurrence: its signals at the sensing locations, other data that the control unit has, and what is required of every restraint.",
            "family": "Kind of an event: frontal, side, rear, rollover, rough_road or misuse.",
            "frontal": "Family of events: the front of the car strikes something.",
            "side": "Family of events: the car is struck from the side.",
            "rear": "Family of events: the car is struck from behind.",
            "rollover": "Family of events: the car rolls over, or nearly.",
            "rough_road": "Family of events: potholes, kerbs, washboard and the like. Nothing may fire.",
            "misuse": "Family of events: blows, slammed doors, jumps and the like that are not crashes. Nothing may fire.",
            "occurrence": "A crash, blow or ride, whoever sits in the car: the belted and the unbelted event of one crash are one occurrence and share their draws.",
            "recipe": "A file from which an event is synthesised: a physical model with its parameters, and the requirements.",
            "record": "A measured event that is read from files.",
            "library": "The events shipped with the program. All are synthetic and belong to one fictional small car.",
            "atlas": "The page that shows every event of the library on shared scales, written by `crashsense catalogue`.",
            "signal": "An evenly sampled time history: samples, rate, start, unit, axis and location.",
            "pulse": "The acceleration of the car over time in a crash.",
            "channel": "A place and direction where something is measured, such as central_x; the name is the same everywhere. + is forward, right and down.",
            "location": "Where a sensor sits. In an event it is modelled, quiet or absent.",
            "quiet": "A location at which, according to the recipe, a sensor reads only offset and noise.",
            "absent": "A location for which an event has no signal; the sensor there counts as failed.",
            "context": "Other data that the control unit has besides signals: belts and seats.",
            "belted": "With a belt. Where a requirement depends on belts, an occurrence gives two events.",
            "time zero": "First contact with the obstacle; on roads and in misuse the first excitation; in a rollover the start of the manoeuvre.",
            "rigid body": "The motion of the cabin as a whole, without the ringing of the place where a sensor is mounted. Free flight and required times follow from it; no sensor and no rule reads it.",
            "deceleration": "Acceleration against the direction of travel: -x in a frontal impact.",
            "velocity change": "Integral of acceleration from time zero; dv for short.",
            "g": "Standard acceleration of free fall, 9.80665 m/s^2.",
            "struck place": "Where a blow meets the car: a local mass on a local spring.",
            "class": "Events of one row of the event matrix and one kind.",
            "challenging": "An event that must not fire and on which some rule family, with its default numbers, passes a third of its threshold. To hold in an event that challenges no rule proves little.",
            "matrix": "The table of events that a crash-sensing programme agrees on at its start; each event names its row.",
        },
        "What is required": {
            "restraint": "A device that is fired: the two stages of the front airbag, the belt pretensioner, side airbags and curtains, left and right. Further ones (passenger bag and pretensioner, knee bag, second pretensioner, battery cut-off) are judged where an algorithm has a rule for them or a plan names them.",
            "requirement": "What one restraint must do in one event: fire by a required time, not fire, or neither (open).",
            "expectation": "The kind of a requirement: fire, no_fire or open; for two restraints, order.",
            "fire": "Expectation: the restraint must fire by the required time.",
            "no_fire": "Expectation: the restraint must not fire.",
            "open": "Expectation: neither is required. The outcome is reported, but not scored.",
            "required time": "The time by which a restraint must have been fired, from time zero; RTTF (required time to fire) for short. It may be negative: then no rule can meet it.",
            "free flight": "How an occupant without a belt moves relative to a cabin that slows down.",
            "127 mm less 30 ms": "Rule of thumb of the trade for the required time: the time of 5 inches of free flight, less the time in which a bag fills. It is not from a regulation.",
            "inflation time": "The time that a bag needs from firing until it is full, about 30 ms; it includes the delay of the igniter.",
            "order": "Expectation for two restraints: one fires after the other, never before it and never alone, with an allowed delay between them. Scored in a separate row, named after both: front_airbag_stage_2_after_stage_1.",
            "waived": "A failure that was agreed as an exception until a given date. It is still counted and shown.",
            "infeasible": "A required time that is shorter than the delays of sensor, bus and task: no rule can meet it.",
        },
        "Sensors": {
            "sensor set": "The sensors of a vehicle by channel, and the control unit that reads them.",
            "part": "A kind of sensor with its numbers. The shipped ones are generic and have no maker.",
            "element": "Proof mass, springs, electrodes, gas and read-out: the core of a part.",
            "resonance": "The frequency at which the proof mass swings freely on its springs. Deflection is acceleration over its square.",
            "range": "Full scale of a sensor: the largest acceleration that its codes can express, plus or minus.",
            "sample": "The value of a channel that the control unit holds at one tick.",
            "chain": "From sensor to control unit: element, saturation, filter, codes and transport.",
            "code": "The whole number that a sensor sends; range divided by the largest code is the value of one code step.",
            "filter": "The low-pass in a sensor. It removes ringing and delays the signal that it passes.",
            "channel class": "Filter of a laboratory record (CFC 60, 180, 600, 1000; SAE J211-1, ISO 6487). It looks into the future and has no delay, which no control unit can do.",
            "clipping": "Saturation: a value beyond a limit is cut off at the limit.",
            "hidden clipping": "Saturation before the filter: the mean is falsified, and no code ever shows it.",
            "clipped_before_filter": "Column: how many samples of the channels that the rule reads were cut off before the filter.",
            "offset": "The reading of a sensor at rest.",
            "tick": "One cycle of the control unit: all codes are read, then the rules are computed.",
            "delay": "Time from the true motion to the end of the task that uses it.",
            "corner": "All tolerances of the sensors that a rule reads at a stated number of standard deviations at once, on the side that hurts or the side that helps, cold, at 25 degC or hot.",
            "as built": "Of a drawn quantity: held at the value that a plan states, instead of drawn.",
            "fault": "Something broken on purpose: a sensor that is stuck, lost, loose or swapped.",
        },
        "Rules": {
            "rule": "A map from the samples that the control unit has received to demand at each sample. It depends on this sample and earlier ones only.",
            "demand": "Criterion divided by its threshold. The restraint fires at the first sample at which demand is 1 or more. It is never latched.",
            "threshold": "The value of a criterion at which demand is 1.",
            "criterion": "What a rule computes before it is divided by a threshold: velocity change, energy, pressure ...",
            "algorithm": "One rule for each restraint, with its parameters.",
            "gate": "An algorithm with gate = true decides the exit code of a run.",
            "gating": "Of an algorithm: its verdicts decide the exit code.",
            "fitted to": "The events on which the numbers of an algorithm were chosen. Its verdicts on them are no independent evidence.",
            "arming": "A second, simpler condition, usually from another sensor, that must be true for the main rule to fire, so that one broken sensor alone fires nothing.",
            "main": "The branch of an armed rule other than arming.",
            "plausibility": "A sensor at another place must agree that something struck the car as a whole.",
            "safing": "Of a sensor or element: used for arming, separate from the main one.",
            "branch": "One rule inside a composed rule, with its own demand.",
            "leak": "The amount that a summing rule subtracts at each step, so that braking and rough roads do not add up.",
            "hold": "A condition that was true counts as true for some time afterwards.",
            "debounce": "A condition counts only after it has been true for some time.",
            "conformance": "Whether a rule keeps the contract: causal, deterministic, silent at rest, the same alone and in a block. `crashsense check-rule` tests it.",
        },
        "Results": {
            "run": "An executed plan: a folder with tables, copies of inputs and a page.",
            "plan": "The events, sensor sets, algorithms and draws to be evaluated.",
            "trial": "Some draws of one occurrence, sensed and judged.",
            "draw": "One random realisation of the tolerances of pulse and sensors. Draw 0 is nominal and free of noise, and is not counted in any statistic.",
            "nominal": "Draw 0: every tolerance at its middle, no noise.",
            "seed": "The number that determines all draws of a run; the same seed gives the same draws.",
            "verdict": "The action of a restraint compared with its requirement: on_time, late, missed, early; held, inadvertent; open_fired, open_held; not_evaluated; rule_error. For two restraints in order: in_order, not_challenged; alone, out_of_order, too_soon, too_late.",
            "on_time": "Verdict: it had to fire and did, by the required time.",
            "late": "Verdict: it had to fire and did, after the required time.",
            "missed": "Verdict: it had to fire and did not.",
            "early": "Verdict: it had to fire and did, before it was allowed to.",
            "held": "Verdict: it must not fire and did not.",
            "never challenged": "Held with a demand of 0 throughout, which is no evidence that the rule decides well.",
            "not judged": "A channel that the rule needs is absent, or the algorithm has no rule for the restraint: the row counts neither as met nor as not met.",
            "inadvertent": "Verdict: it must not fire and did.",
            "open_fired": "Verdict: nothing was required, and it fired.",
            "open_held": "Verdict: nothing was required, and it did not fire.",
            "not_evaluated": "Verdict: the rule lacks a channel that it requires, or the algorithm has no rule for the restraint. It is left out of all counts.",
            "rule_error": "Verdict: the rule itself failed.",
            "in_order": "Verdict: both fired, one after the other, with an allowed delay between them.",
            "not_challenged": "Verdict: the restraint that must follow another one did not fire; its order was not put to the test.",
            "alone": "Verdict: it must follow another restraint, and that one never fired.",
            "out_of_order": "Verdict: it fired before the restraint that it must follow.",
            "too_soon": "Verdict: it followed the other restraint sooner than the shortest allowed delay.",
            "too_late": "Verdict: it followed the other restraint later than the longest allowed delay.",
            "met": "A requirement is met if its verdict is on_time or held, or for an order in_order or not_challenged.",
            "fire time": "When demand first reached 1, by the clock of the control unit; TTF (time to fire) for short. It includes bus and task.",
            "time margin": "Required time less fire time. Positive means early enough.",
            "max_demand": "Column: the largest demand of the whole event.",
            "demand_at_required_time": "Column: the largest demand up to the required time.",
            "demand margin": "How far demand stayed from the wrong side: for must fire, largest demand up to the required time, less 1; for must not fire, 1 less largest demand. It is the relative change of the threshold that the row can still bear; negative means failure.",
            "c": "The smallest, over all events that must fire, of the largest demand up to the required time.",
            "m": "The largest demand of all events that must not fire, and of the others before the time from which they may fire.",
            "threshold scale": "A factor k on every threshold of a rule. Scale k meets everything if m < k <= c.",
            "separation": "The quotient c/m: above 1 some threshold scale meets every requirement. It compares settings of one criterion, never two criteria.",
            "held_by": "Column: which branch kept the restraint from firing: main, arming or both.",
            "single-point protection": "Held by arming only: if that one condition fails, the restraint fires.",
            "demand_before_allowed": "Column: the largest demand before the time from which firing is allowed; 1 or more is early.",
            "arming_time_ms": "Column: when arming first held, by the clock of the control unit.",
            "engine": "The code that computes: numpy, or fast (compiled). The verdicts are the same.",
            "program": "Built-in rules as a flat list of operations, which the compiled engine runs over many draws side by side.",
            "task": "A piece of a plan: some draws of one occurrence.",
            "bundle": "Tasks that are sent to a worker together; this never changes a number.",
            "rows": "Verdict rows: one for each event, draw, sensor set, algorithm and restraint.",
            "block": "Draws that are computed together; this never changes a number.",
            "path": "Column: full or fast, the way in which the samples of a draw were computed. It changes no verdict.",
            "exit code": "0: every requirement met by every gating algorithm. 1: some not met, which is a result. 2: bad input. 130: interrupted.",
            "baseline": "An earlier run with which a run is compared.",
            "provenance": "The origin of a result: versions, seeds and checksums of all inputs.",
        },
        "Studies": {
            "range study": "Which sensor range each event needs, and how another range would change the verdicts.",
            "severity": "How hard a crash is; the severity study gives the chance of firing over impact speed.",
            "sweep": "The same evaluation at many values of a threshold or parameter.",
            "reliability": "The share of draws in which a requirement is met.",
            "confidence": "How sure a bound is: at 95 %, a bound computed this way is wrong once in twenty times.",
            "upper bound": "The largest chance of failure that the draws still allow. No failure in n draws: about 3/n at 95 %.",
            "tolerance": "The amount by which a number varies from part to part or from crash to crash; one standard deviation unless stated otherwise.",
            "margin": "Distance to failure: of time or of demand.",
        },
    }
)

#: Other spellings of a word -> the word.
_ALSO = {
    "held by": "held_by",
    "slack": "time margin",
    "rttf": "required time",
    "required_time_ms": "required time",
    "ttf": "fire time",
    "fire_time_ms": "fire time",
    "time_margin_ms": "time margin",
    "demand_margin": "demand margin",
    "sensor_set": "sensor set",
    "dv": "velocity change",
    "cfc": "channel class",
    "no fire": "no_fire",
    "on time": "on_time",
    "c/m": "separation",
    "k": "threshold scale",
    "must fire": "fire",
    "must not fire": "no_fire",
    "rough road": "rough_road",
    "catalogue": "atlas",
    "unbelted": "belted",
}

#: Word -> meaning, in alphabetical order.
WORDS: Mapping[str, str] = MappingProxyType(
    dict(
        sorted(
            ((word, text) for group in GROUPS.values() for word, text in group.items()),
            key=lambda pair: pair[0].lower(),
        )
    )
)


def find_word(word: str) -> str:
    """Return the listed term for *word*, whatever its case or spelling variant.

    >>> find_word("RTTF"), find_word("Demand")
    ('required time', 'demand')
    >>> find_word("arning")
    Traceback (most recent call last):
        ...
    crashsense.errors.UnknownNameError: word: got 'arning'; expected one of ... 'arming'?)
    """
    plain = " ".join(word.split())
    for tried in (plain, plain.lower(), plain.lower().replace(" ", "_")):
        if tried in WORDS:
            return tried
        if tried in _ALSO:
            return _ALSO[tried]
    raise unknown_name("word", word, [*WORDS, *_ALSO])


def meaning(word: str) -> str:
    """Return the meaning of a term, in a sentence or two.

    >>> meaning("rttf").startswith("The time by which a restraint must have been fired")
    True
    """
    return WORDS[find_word(word)]
