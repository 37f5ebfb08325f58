"""Help for staff: topics, glossary, search, and the page each belongs to. Patients': `web/patient/help`."""
