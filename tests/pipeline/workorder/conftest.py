"""Orders and sheets of the example homes."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from orders_example import Wish, home
from sheet import Sheet

from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.build import build_order
from pipeline.workorder.order import Order
from pipeline.workorder.write import order_page


@pytest.fixture(scope="session")
def settings() -> Settings:
    return load_settings()


@pytest.fixture(scope="session")
def order_of(settings: Settings) -> Callable[[Wish], Order]:
    return lambda wish: build_order(home(wish), CATALOGUE, settings)


@pytest.fixture(scope="session")
def sheet_of(order_of: Callable[[Wish], Order]) -> Callable[[Wish], Sheet]:
    return lambda wish: Sheet(order_page(order_of(wish)))
