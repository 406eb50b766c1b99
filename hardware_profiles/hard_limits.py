"""What no profile may exceed, whoever writes it.

These are this program's own bounds, chosen so that a mistake in a profile cannot turn a stimulator for single nerve
twigs into a strong one. They are not taken from a standard; local rules may demand less, never more.
"""

from __future__ import annotations

__all__ = [
    "MAX_CEILING_MA",
    "MAX_CHARGE_NC",
    "MAX_LEAD_S",
    "MAX_LEASE_S",
    "MAX_RATE_HZ",
    "MAX_WIDTH_US",
]

# A needle cathode needs 1 to 10 mA; twice that leaves room for a surface cathode and nothing beyond.
MAX_CEILING_MA = 20.0

# Stimulated jitter is measured with 0.04 to 0.1 ms; longer pulses recruit muscle fibres directly and only add charge.
MAX_WIDTH_US = 200.0

# 10 mA for 0.1 ms is 1000 nC, the strongest pulse in use; twice that. It binds before ceiling and width together do.
MAX_CHARGE_NC = 2000.0

# Jitter is measured at 20 Hz or below; faster trains are unpleasant and tetanic.
MAX_RATE_HZ = 20.0

# After the program dies, pulses go on for at most lease + lead; together they must stay within what a hand notices.
MAX_LEASE_S = 1.0
MAX_LEAD_S = 0.5
