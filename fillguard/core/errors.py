"""One tree of errors. The type says whose fault it is; the text quotes the value and says what to do."""


class FillguardError(Exception):
    """Anything fillguard raises on purpose."""


class DeviceError(FillguardError):
    """A sensor or gateway sent something that cannot be used."""


class ConfigurationError(FillguardError):
    """A file, an option or a register entry asks for something that cannot be done."""


class OutOfRangeError(FillguardError):
    """A quantity lies outside the range in which a formula was checked."""


class IllegalTransitionError(FillguardError):
    """A state machine was asked for a change its table does not hold: a fault of ours, and nothing changed."""


class LedgerError(FillguardError):
    """The ledger could not be read or written."""


class NotDoneError(FillguardError):
    """The watch did not do what a person asked for: it refused, in words, or nobody answered."""
