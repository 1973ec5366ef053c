"""The forms of a report. Each shows the same audit; a form decides looks only, never severity, order or words."""
