"""What the notebooks show: workbench, sweeps, figures, widgets."""
