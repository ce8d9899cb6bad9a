"""The evidence package: a bag that holds a job whole, and its check by anyone, years later."""
