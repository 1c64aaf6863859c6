"""What a cylinder's pressure shows of its valves: a drive that jumped where no cam line is recorded, and a leak."""

from __future__ import annotations

import numpy as np

from accuracy.draw import Draft
from accuracy.hooks import base, drop, fault, hook, lasts

PLAIN, BARELY = 3.0, 1.0
SPAN = (PLAIN, BARELY, "teeth of an 18 to 24 tooth sprocket; no cam line recorded", False)

TIGHT, LEAKS = 0.8, 0.4
LEAK_SPAN = (LEAKS, TIGHT, "of the charge left after a compression that leaks", False)


def jumped(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    """Crank and the pressure in cylinder 1, cranked."""
    made = base(rng, ("cranking",), vee=0.0)
    value = float(round(BARELY + severity * (PLAIN - BARELY)))
    drop(made, "cam")
    hook(made, {"role": "cylinder-pressure", "cylinder": 1})
    lasts(made, 3.0)
    teeth = int(value) * int(rng.choice([-1, 1]))
    fault(made, kind="cam-jumped", teeth=teeth, sprocket_teeth=int(rng.choice([18, 20, 22, 24])))
    return made, value


def leaks(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    """Crank and the pressure in the cylinder that leaks, cranked."""
    made = base(rng, ("cranking",), vee=0.0)
    value = TIGHT + severity * (LEAKS - TIGHT)
    hook(made, {"role": "cylinder-pressure", "cylinder": 1})
    lasts(made, 4.0)
    fault(made, kind="compression-low", cylinder=1, share=value, how="leak")
    return made, value
