"""The front desk: find a patient, see where each line stands, log what happened."""
