"""The errors a user of trialkit may meet: each says what is wrong and what to do."""

from __future__ import annotations


class TrialkitError(Exception):
    """Base of every error trialkit raises on purpose."""


class TrialError(TrialkitError):
    """The trial's files cannot be used: nothing there, or nothing left after refusals."""


class DesignError(TrialkitError):
    """The trial is readable but its design cannot answer the question asked."""


class ModelError(TrialkitError):
    """A model could not be specified or fitted; the message says what to try."""


class FileExistsRefusal(TrialkitError):
    """Writing would overwrite a file of the user's; nothing was written."""


class ReportError(TrialkitError):
    """A report could not be made; the message names the notebook's cell and the cause."""


class ClusterError(TrialkitError):
    """Work could not be done by those who were to do it, a Dask cluster or processes of this
    machine: they are not there, went away, or do not see what they are to read."""
