"""Fits and saves weights. The only place that needs torch, torchvision, albumentations, scikit-learn, mlflow."""
