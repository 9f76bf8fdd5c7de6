import builder  # noqa: F401  before numpy: see there
