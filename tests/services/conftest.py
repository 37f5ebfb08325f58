"""What tests of services share."""

from tests.demo_days import demo_on as demo_on
