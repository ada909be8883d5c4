"""What lining would take, run by run, without a plan: criteria measured, scored and ranked."""
