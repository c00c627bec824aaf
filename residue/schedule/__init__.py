"""Opening hours, calendar, programme and agenda."""
