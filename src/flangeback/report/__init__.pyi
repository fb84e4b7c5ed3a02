from . import documents as documents
from . import explanation as explanation
from . import fit as fit
from . import kit as kit
from . import pages as pages
from . import survey as survey
from . import tally as tally
from . import terminal as terminal
