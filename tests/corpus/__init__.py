"""Small folders as they really come, each messy in another way, built by code into a temporary folder.

``same`` holds one little project written in some forty ways: each must be read as the same data. ``wrong`` holds
folders with something that can't be read: each must give the named finding on the named row, or be refused.
"""

from tests.corpus.folders import Folder, write_folder
from tests.corpus.same import CLEAN, SAME
from tests.corpus.wrong import WRONG

__all__ = ["CLEAN", "SAME", "WRONG", "Folder", "write_folder"]
