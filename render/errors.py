"""Every error that fairhearing raises on purpose, in one file.

    FairhearingError            a message for a person: what was found, where, what was expected, what to do
    ├── SongError               song.toml, or a name or bar in it
    │   ├── BeyondTheEndError   bars that the audio is too short for
    │   └── FormError           a form, or a part of one
    ├── AudioError              an audio file: missing, unreadable, of the wrong kind
    ├── RenderError             the renders could not be made or do not measure as they must
    │   ├── NotRenderedError    there are no renders yet, or one of their files is gone
    │   └── ManifestError       the list of the renders is damaged or cannot be read
    ├── WriteError              a file could not be written
    ├── StudyError              the study's folder, or what is (not yet) in it
    │   ├── LogError            the log could not be read or written
    │   ├── BundleError         a study as one file: damaged, made to do harm, or not to be written as asked
    │   └── DecisionError       a decision that cannot be taken as asked
    ├── ListenError             a listen cannot start or go on
    │   ├── DeviceError         no sound device, or it failed
    │   └── PageError           a request of the listening page that is refused
    ├── AnswersError            an answer file or a packet that cannot be taken in
    └── RatingsError            a table of ratings that cannot be judged

The file is in `render` because imports run render <- sessions <- listening and reports.
Only the command line turns these into an exit code.
"""


class FairhearingError(Exception):
    """The root: its text is one clear message for a person."""


class SongError(FairhearingError):
    """song.toml is not in order."""


class BeyondTheEndError(SongError):
    """song.toml names bars beyond the end of the audio: they are wrong, or tempo or start are."""


class FormError(SongError):
    """A form, or one part of it, is not in order."""


class AudioError(FairhearingError):
    """An audio file is missing, unreadable or not of the kind needed."""


class RenderError(FairhearingError):
    """Renders could not be made, or do not measure as they must."""


class NotRenderedError(RenderError):
    """There are no renders yet, or a file of theirs is gone or damaged."""


class ManifestError(RenderError):
    """The list of the renders is damaged or cannot be read."""


class WriteError(FairhearingError):
    """A file could not be written: no room, no rights."""


class StudyError(FairhearingError):
    """The study's folder is not in order, or lacks what a command needs."""


class LogError(StudyError):
    """The log could not be read or written."""


class BundleError(StudyError):
    """A study as one file cannot be written as asked, or one from elsewhere is damaged or made to do harm."""


class DecisionError(StudyError):
    """A decision cannot be taken as asked."""


class ListenError(FairhearingError):
    """A listen cannot start, or cannot go on."""


class DeviceError(ListenError):
    """There is no sound device, or it failed."""


class PageError(ListenError):
    """A request of the listening page is refused: its HTTP status, a word for the page, a sentence."""

    def __init__(self, status: int, word: str, text: str) -> None:
        super().__init__(text)
        self.status = status
        self.word = word
        self.text = text


class AnswersError(FairhearingError):
    """An answer file or a packet cannot be taken in."""


class RatingsError(FairhearingError):
    """A table of ratings cannot be judged."""
