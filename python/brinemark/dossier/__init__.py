"""The dossier: a warranty judged, in a form that the other side can run again.

One bundle holds the inputs as they were given, how they were read, every row with its reasons and a digest of
its values, and the judgement of each clause; one page says it to people. A bundle's fingerprint, exchanged
between the sides, stands for all of it.
"""

from brinemark.dossier.beside import Beside, Pair
from brinemark.dossier.case import Dossier
from brinemark.dossier.courses import guarantee_courses
from brinemark.dossier.verify import Difference, Verification

__all__ = ["Beside", "Difference", "Dossier", "Pair", "Verification", "guarantee_courses"]
