"""Frozen values that pass between the rooms. No room's logic lives here.

Every instant and duration inside the auditor is an ``int`` number of nanoseconds. Instants lie on
the *study axis*: nanoseconds since 1970-01-01T00:00:00, absolute (UTC) where the study's time zone
is known and civil ("as the stamps stand") where it is not; ``auditor.core.clock.Axis`` converts.
"""

# Every module here holds values and nothing else, so all of its names are this room's names.
from auditor.core.intervals import Int64 as Int64
from auditor.core.intervals import Interval as Interval
from auditor.model.audit import *
from auditor.model.billing import *
from auditor.model.byte_source import *
from auditor.model.codes import *
from auditor.model.coverage import *
from auditor.model.lists import *
from auditor.model.order import *
from auditor.model.recording import *
from auditor.model.signal import *
from auditor.model.study import *
