"""What runs share: results, ledger, progress, workers, files written whole or not at all."""
