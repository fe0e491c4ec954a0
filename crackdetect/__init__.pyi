from crackdetect.audio.files import open_recording as open_recording
from crackdetect.blocks import Block as Block
from crackdetect.config import About as About
from crackdetect.config import Settings as Settings
from crackdetect.config import Target as Target
from crackdetect.errors import CrackdetectError as CrackdetectError
from crackdetect.errors import DeviceError as DeviceError
from crackdetect.errors import InputError as InputError
from crackdetect.errors import LogError as LogError
from crackdetect.errors import MissingPartError as MissingPartError
from crackdetect.errors import ModelError as ModelError
from crackdetect.errors import OutputError as OutputError
from crackdetect.errors import SettingError as SettingError
from crackdetect.events import Event as Event
from crackdetect.interface import Analysis as Analysis
from crackdetect.interface import Moment as Moment
from crackdetect.interface import analyze as analyze
from crackdetect.interface import listen as listen
from crackdetect.interface import render as render
from crackdetect.interface import score as score
from crackdetect.model import load_model as load_model
from crackdetect.pipeline import Pipeline as Pipeline

__version__: str
