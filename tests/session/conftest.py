"""What the tests of a session's folder share."""

import pytest

from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError


@pytest.fixture
def problems():
    """A function from a session's folder to the sentences with which it is refused."""

    def of(folder) -> list[str]:
        with pytest.raises(SessionError) as caught:
            load_session(folder)
        return [str(problem) for problem in caught.value.problems]

    return of
