"""What ``__init__.py`` gives on first use, for type checkers."""

from crashsense.campaign import Estimate as Estimate
from crashsense.campaign import ProgressLine as ProgressLine
from crashsense.campaign import estimate as estimate
from crashsense.campaign import evaluate as evaluate
from crashsense.errors import CrashsenseError as CrashsenseError
from crashsense.errors import Fault as Fault
from crashsense.errors import InputError as InputError
from crashsense.errors import MissingExtraError as MissingExtraError
from crashsense.errors import RuleError as RuleError
from crashsense.errors import RunFolderError as RunFolderError
from crashsense.errors import UnknownNameError as UnknownNameError
from crashsense.event import Context as Context
from crashsense.event import Event as Event
from crashsense.event import EventSource as EventSource
from crashsense.event import Requirement as Requirement
from crashsense.filters.channel_class import channel_class_filter as channel_class_filter
from crashsense.occupant import required_time_to_fire as required_time_to_fire
from crashsense.plan import Plan as Plan
from crashsense.records import read_record as _read_record
from crashsense.reporting import write_report as write_report
from crashsense.results import Replay as Replay
from crashsense.results import Run as Run
from crashsense.results import open_run as open_run
from crashsense.results import replay as replay
from crashsense.rules import Algorithm as Algorithm
from crashsense.rules import Rule as Rule
from crashsense.rules import load_algorithm as load_algorithm
from crashsense.sensing import EcuSamples as EcuSamples
from crashsense.sensing import SensorSet as SensorSet
from crashsense.sensing import load_sensor_set as load_sensor_set
from crashsense.signal import Signal as Signal
from crashsense.synthesis import load_events as load_events
from crashsense.trials import Explanation as Explanation
from crashsense.trials import Trial as Trial
from crashsense.trials import explain as explain
from crashsense.trials import trial as trial

load_record = _read_record
__version__: str
__all__: list[str]
