"""Pages over many trials: parts for a reader, made from `trialkit.many.TrialsCompared` alone."""
