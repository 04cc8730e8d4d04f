"""One processed copy of the checkout, from which each test takes its own."""

import shutil

import pytest

from tests.workflow.checkout import Checkout

NIGHTS = ("2031-03-02", "2031-03-03")


@pytest.fixture(scope="session")
def _processed(tmp_path_factory):
    checkout = Checkout(tmp_path_factory.mktemp("processed"))
    for night in NIGHTS:
        checkout.add_night(night)
    checkout.first_jobs = checkout.run()
    return checkout


@pytest.fixture
def processed(_processed, tmp_path):
    """A checkout in which two nights through two filters have been processed; times of files are kept."""
    shutil.copytree(_processed.root, tmp_path / "check out", copy_function=shutil.copy2)
    return _processed.moved_to(tmp_path / "check out")


@pytest.fixture
def fresh(tmp_path):
    """A checkout in which nothing has been processed."""
    return Checkout(tmp_path)
