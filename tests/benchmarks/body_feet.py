"""Feet of a parametric body model, made anew: skins that nobody tuned on, with joint centres.

The body model is ``anny`` from PyPI (Apache-2.0, its data CC0). It brings PyTorch along and is
no part of the project: install it in an environment of its own and run this file there.

    python tests/benchmarks/body_feet.py FOLDER [--feet N] [--seed N]

Each foot of another body (age from 15 years up, sex, weight, muscle, height and proportions drawn
evenly) is cut off above the ankle and written to ``FOLDER/foot_NNN.npz``:

    vertices, faces   mm, z up from the lowest point, +x to the toes, +y medial; left feet mirrored
    side              the side that it was
    joints            metatarsophalangeal joint centres 1 to 5, shape (5, 3); artist-placed
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

CUT_MM = 125.0
ADULT = 0.55  # of the model's age parameter, 0 newborn to 1 old; 0.67 is young adult
REACH_MM = 420.0  # what is farther from the joints is the other foot


def foot_of(model, torch, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return one foot of a drawn body."""
    drawn = {name: float(rng.uniform(0.05, 0.95)) for name in model.phenotype_labels}
    drawn["age"] = float(rng.uniform(ADULT, 1.0))
    side = "L" if rng.random() < 0.5 else "R"
    out = model(phenotype_kwargs={k: torch.tensor([v]) for k, v in drawn.items()})
    skin = 1000.0 * out["vertices"][0].numpy().astype(float)
    bones = 1000.0 * out["bone_poses"][0, :, :3, 3].numpy().astype(float)
    names = list(model.bone_labels)
    joints = np.array([bones[names.index(f"toe{i}-1.{side}")] for i in range(1, 6)])
    ankle = bones[names.index(f"foot.{side}")]
    faces = np.asarray(model.faces).astype(int)
    if faces.shape[1] == 4:
        faces = np.concatenate([faces[:, [0, 1, 2]], faces[:, [0, 2, 3]]])
    # toes to +x by the line from ankle to second joint, then medial to +y
    along = (joints[1] - ankle)[:2] / np.linalg.norm((joints[1] - ankle)[:2])
    turn = np.array([[along[0], along[1], 0], [-along[1], along[0], 0], [0, 0, 1.0]])
    skin, joints = (skin - ankle) @ turn.T, (joints - ankle) @ turn.T
    if joints[0, 1] < joints[4, 1]:
        skin, joints, faces = skin * [1, -1, 1], joints * [1, -1, 1], faces[:, ::-1]
    own = np.linalg.norm(skin[:, :2] - joints[2, :2], axis=1) < REACH_MM
    own &= np.abs(skin[:, 1]) < 90.0
    low = skin[own, 2].min()
    own &= skin[:, 2] - low < CUT_MM
    faces = faces[own[faces].all(axis=1)]
    used = np.unique(faces)
    number = np.full(len(skin), -1)
    number[used] = np.arange(len(used))
    skin, faces = skin[used], number[faces]
    shift = np.array([skin[:, 0].min(), 0.0, skin[:, 2].min()])
    return {
        "vertices": skin - shift,
        "faces": faces,
        "joints": joints - shift,
        "side": np.array("left" if side == "L" else "right"),
    }


def main() -> int:
    """Write the feet."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--feet", type=int, default=60, help="feet to make (60)")
    parser.add_argument("--seed", type=int, default=1, help="of the bodies (1)")
    arguments = parser.parse_args()
    import anny
    import torch

    arguments.folder.mkdir(parents=True, exist_ok=True)
    model = anny.create_fullbody_model()
    for k in range(arguments.feet):
        foot = foot_of(model, torch, np.random.default_rng([arguments.seed, k]))
        np.savez_compressed(arguments.folder / f"foot_{k:03d}.npz", **foot)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
