"""Everything that a person sees: the command, pictures, figures, the report and the app."""
