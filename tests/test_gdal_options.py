"""Options of GDAL are set while somebody needs them, and then as they were."""

from __future__ import annotations

from contextlib import ExitStack

import pyogrio

from geotools.gdal_options import gdal_options

NAME = "SLIPMAIN_TEST_OPTION"


def test_an_option_two_threads_need_stays_until_the_last_is_done() -> None:
    """Of two that overlap the first to begin is the first to end."""
    first, second = ExitStack(), ExitStack()
    first.enter_context(gdal_options({NAME: "1"}))
    second.enter_context(gdal_options({NAME: "1"}))
    first.close()
    assert str(pyogrio.get_gdal_config_option(NAME)) == "1"
    second.close()
    assert pyogrio.get_gdal_config_option(NAME) is None


def test_an_option_of_the_caller_is_put_back() -> None:
    pyogrio.set_gdal_config_options({NAME: "mine"})
    try:
        with gdal_options({NAME: "1"}):
            pass
        assert pyogrio.get_gdal_config_option(NAME) == "mine"
    finally:
        pyogrio.set_gdal_config_options({NAME: None})
