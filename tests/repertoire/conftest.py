"""One small folder of scores and its index, made once."""

import pytest
from repertoire_scores import folder_of_scores

from understave.repertoire import index_folder


@pytest.fixture(scope="session")
def indexed(tmp_path_factory):
    """The folder and what indexing it did."""
    folder = folder_of_scores(tmp_path_factory.mktemp("scores"))
    return folder, index_folder(folder, workers=1)
