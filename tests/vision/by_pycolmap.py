"""A network solved anew with pycolmap, for the tests: one camera, one fixed target, noise alike for all.

pycolmap 4 weighs all observations alike and knows no priors, so both solvers get a network made plain.
"""

from dataclasses import replace

import numpy as np
import pycolmap

from vision.network import Lens, Network


def plain(network: Network) -> Network:
    """Return the network with corner noise of 0.5 px, exact corners, and a lens that is free but for k3."""
    prior = network.lenses[0].prior
    u = np.array([3000.0, 3000.0, 1000.0, 1000.0, 3.0, 3.0, 0.3, 0.3, 1e-9])
    wide = Lens(prior.with_parameters(network.cameras[0].parameters, np.diag(u**2)), 1e-9)
    return replace(
        network,
        lenses=(wide,),
        cameras=(wide.prior.with_parameters([*network.cameras[0].parameters[:8], 0.0]),),
        stations=tuple(replace(s, ln_focal=0.0, edge_bias_px=0.0) for s in network.stations),
        patterns=tuple(
            replace(p, tolerance_mm=1e-9 * p.tolerance_mm, shape=0.0 * p.shape) for p in network.patterns
        ),
        pattern_sightings=tuple(replace(s, cov_px2=0.25 * np.eye(8)) for s in network.pattern_sightings),
    )


def length_by_pycolmap(network: Network) -> float:
    """Solve a network anew with pycolmap, from places moved away from the solution."""
    rng = np.random.default_rng(16)
    lens = network.cameras[0]
    rebuilt = pycolmap.Reconstruction()
    # (0, 0) is the picture's corner there, the centre of its first pixel here.
    parameters = [lens.fx, lens.fy, lens.cx + 0.5, lens.cy + 0.5, lens.k1, lens.k2, lens.p1, lens.p2]
    rebuilt.add_camera_with_trivial_rig(
        pycolmap.Camera(model="OPENCV", width=lens.width, height=lens.height, params=parameters, camera_id=1)
    )
    seen: list[list[np.ndarray]] = [[] for _ in network.stations]
    tracks: dict[tuple[str, int], tuple[np.ndarray, list[tuple[int, int]]]] = {}
    for sighting in network.pattern_sightings:
        corners = network.patterns[sighting.pattern].corners_mm
        for k in range(4):
            key = ("corner", 4 * sighting.pattern + k)
            place = tracks.setdefault(key, (np.append(corners[k], 0.0), []))
            place[1].append((sighting.station, len(seen[sighting.station])))
            seen[sighting.station].append(sighting.corners_px[k] + 0.5)
    for sighting in network.point_sightings:
        key = ("point", sighting.point)
        start = network.points_mm[sighting.point] + rng.normal(0.0, 5.0, 3)
        tracks.setdefault(key, (start, []))[1].append((sighting.station, len(seen[sighting.station])))
        seen[sighting.station].append(sighting.px + 0.5)
    config = pycolmap.BundleAdjustmentConfig()
    for i, station in enumerate(network.stations):
        pose = pycolmap.Rigid3d(
            pycolmap.Rotation3d(station.rotation), station.translation_mm + rng.normal(0.0, 5.0, 3)
        )
        points = pycolmap.Point2DList([pycolmap.Point2D(px) for px in seen[i]])
        image = pycolmap.Image(name=station.name, points2D=points, camera_id=1, image_id=i + 1)
        rebuilt.add_image_with_trivial_frame(image, pose)
        config.add_image(i + 1)
    numbers = {}
    for key, (start, places) in tracks.items():
        track = pycolmap.Track([pycolmap.TrackElement(station + 1, index) for station, index in places])
        numbers[key] = rebuilt.add_point3D(start, track, np.zeros(3, dtype=np.uint8))
        if key[0] == "corner":
            config.add_constant_point(numbers[key])
    options = pycolmap.BundleAdjustmentOptions()
    options.refine_principal_point = True
    options.print_summary = False
    options.ceres.solver_options.function_tolerance = 1e-12
    options.ceres.solver_options.max_num_iterations = 200
    pycolmap.create_default_bundle_adjuster(options, config, rebuilt).solve()
    ends = [rebuilt.point3D(numbers["point", i]).xyz for i in range(2)]
    return float(np.linalg.norm(ends[1] - ends[0]))
