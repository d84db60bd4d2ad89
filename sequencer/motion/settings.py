"""The numbers of the interior point method, the same for its array and its compiled form."""

from __future__ import annotations

MAX_ITERATIONS = 80
STEP = 0.995
CENTRING_EXPONENT = 3
#: The objective's weight against unit rows, softness of limits in the first guess, first multipliers.
START_WEIGHT = 1e4
START_SOFTNESS = 100.0
START_PRICE = 300.0
#: Wanted bound on the objective's excess over the optimum, relative and in LSB^2 a span.
GAP_RELATIVE = 2e-8
GAP_ABSOLUTE = 1e-7
#: Accepted violation of a normalised row.
RESIDUAL = 1e-9
#: When arithmetic gives no further progress, this many times either is still accepted.
LENIENCE = 50.0
#: Limits that can be kept never have prices of such a sum.
ENDLESS_PRICE = 1e30
#: Added to the diagonal, relatively, when a factorisation meets a pivot that is not positive.
REGULARISATION = (0.0, 1e-15, 1e-13, 1e-11)
