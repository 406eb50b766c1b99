"""The cautions, in one place: shown before the first stimulus, and in short with every result."""

__all__ = ["CAUTIONS", "INTENDED_USE"]

INTENDED_USE = (
    "For research and training; not a medical device. The verdicts advise and can be wrong; the licensed person at the "
    "patient decides, by local rules."
)

CAUTIONS = """\
CAUTIONS. For research and training; not a medical device. Local rules and the
  licensed person at the patient come first.
- Electrical stimulation of a person: only by someone licensed for it, with an
  isolated stimulator approved for the purpose and a hardware stop within reach.
  This program is no safety barrier.
- Implanted devices (pacemaker, defibrillator, stimulators): not sensed in small
  series at 2 Hz, nothing is known of 10 to 20 Hz. A clinician must decide before.
- Needle electrode: caution with anticoagulation (INR above 1.5 to 2.0) or
  platelets below 50 000 (AANEM statement).
- Keep the intensity as low as the margin allows; a slight twitch is enough.
  Check it again when an electrode has moved.
- Keep the skin over the muscle above 32 °C; cold changes jitter.
- The verdicts advise. They can be wrong. Look at the sweeps.
"""
