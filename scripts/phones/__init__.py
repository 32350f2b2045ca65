"""What scripts/train_phones is made of: texts, voices, clips, noise, batches, the network and how it is fitted and measured."""
