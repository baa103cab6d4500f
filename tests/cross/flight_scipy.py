"""Do SciPy and `uncertainties` find the same release angles and the same doubts?

    cargo run --example flight_cases -- 40 | python tests/cross/flight_scipy.py

An independent formulation: Newton's equations in space and time, the wall as an event,
the release by a two-dimensional root finder started from the reported answer's
neighbourhood, sensitivities by `uncertainties`' numerical derivatives of the whole chain.
"""

import json
import math
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import root
import uncertainties
from uncertainties import ufloat, correlated_values

G = 9.80665
LIMITS = {"angle_rad": 1e-9, "u_relative": 1e-6, "sensitivity": 1e-6}


def density(t_k, p, h):
    t = t_k - 273.15
    psv = math.exp(1.2378847e-5 * t_k**2 - 1.9121316e-2 * t_k + 33.93711047 - 6.3431645e3 / t_k)
    xv = h * (1.00062 + 3.14e-8 * p + 5.6e-7 * t * t) * psv / p
    z = (
        1
        - p / t_k * (1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
                     + (5.707e-6 - 2.051e-8 * t) * xv + (1.9898e-4 - 2.376e-6 * t) * xv * xv)
        + (p / t_k) ** 2 * (1.83e-11 - 0.765e-8 * xv * xv)
    )
    ratio = 18.01528 / 28.96546
    return p * 28.96546e-3 / (z * 8.314472 * t_k) * (1 - xv * (1 - ratio))


def solver(case):
    names = list(case["inputs"])
    # Beside the reported answer, so that the root finder has to find it.
    guess = [case["release_rad"] + case["inputs"]["zero"][0] - 0.01, case["sideways_rad"] + 0.01,
             case["release_speed_mps"] * 1.01]

    def answer(*args):
        z = dict(zip(names, args))
        mark_x, mark_y, reading = args[len(names):]
        reading = reading * (1 + z["speed scale"])
        rho = density(z["temperature"], z["pressure"], z["humidity"])
        mu = 1.458e-6 * z["temperature"] ** 1.5 / (z["temperature"] + 110.4)
        d, m = z["ball diameter"], z["ball mass"]
        k = rho * math.pi * d * d / 8 / m
        radius = d / 2
        far = None if case["read_from_wall_m"] is None else z["speed read at"]
        normal = np.array([-math.cos(z["lean"]), 0.0, math.sin(z["lean"])])  # towards wall, right, up

        def force(_, state):
            v = state[3:]
            speed = np.linalg.norm(v)
            if case["sphere"]:
                re = rho * d * speed / mu
                cd = 24 / re * (1 + 0.152 * re**0.677) + 0.417 / (1 + 5070 * re**-0.94)
                cd *= z["drag"]
            else:
                cd = z["drag"]
            if case["spin_known"]:
                s = radius * z["spin"] / speed
                cl = 1.120 * s / (0.583 + 2.333 * abs(s))
            else:
                cl = z["spin"]
            level = math.hypot(v[0], v[1])
            up = np.array([-v[2] * v[0] / level, -v[2] * v[1] / level, level]) / speed
            a = -k * cd * speed * v + k * cl * speed**2 * up - np.array([0, 0, G])
            return np.concatenate([v, a])

        def fly(arm, side, speed):
            swing = z["arm"] * math.sin(arm)
            place = [-z["pivot out"] + swing * math.cos(z["plane turn"]),
                     z["pivot right"] + swing * math.sin(z["plane turn"]),
                     z["pivot up"] + z["arm"] * math.cos(arm)]
            e = -arm + z["off tangent"]
            v = [speed * math.cos(e) * math.cos(side), speed * math.cos(e) * math.sin(side), speed * math.sin(e)]

            def strikes(_, s):
                return s[:3] @ normal - radius

            strikes.terminal = True
            events = [strikes]
            run = solve_ivp(force, [0, 20], place + v, method="DOP853", rtol=1e-12, atol=1e-13, events=events,
                            dense_output=far is not None)
            end = run.y_events[0][0]
            x, y = end[1], end[0] * math.sin(z["lean"]) + end[2] * math.cos(z["lean"])
            read = speed
            if far is not None:
                # The centre's horizontal distance from the wall at the mark's height.
                goal = end[0] - max(far - radius, 0.0)
                low, high = 0.0, run.t[-1]
                for _ in range(80):
                    middle = (low + high) / 2
                    low, high = (middle, high) if run.sol(middle)[0] < goal else (low, middle)
                s = run.sol((low + high) / 2)
                read = speed * math.hypot(s[3], s[4]) / math.hypot(v[0], v[1])
            return x, y, read, np.linalg.norm(end[3:]), run.t[-1]

        def misses(u):
            x, y, read, _, _ = fly(*u)
            return [x - mark_x, y - mark_y, (read - reading) / 10]

        found = root(misses, guess, method="hybr", options={"xtol": 1e-13, "eps": 1e-8})
        u = found.x
        return u[0] - z["zero"], u[1], fly(*u)

    return names, answer


def main():
    cases = json.load(sys.stdin)["cases"]
    worst = dict.fromkeys(["angle_rad", "speed_mps", "time_s", "u_relative", "sensitivity"], 0.0)
    for case in cases:
        names, answer = solver(case)
        means = [case["inputs"][n][0] for n in names] + case["mark_m"] + [case["speed_mps"]]
        release, side, (_, _, _, impact_speed, time) = answer(*means)
        worst["angle_rad"] = max(worst["angle_rad"], abs(release - case["release_rad"]), abs(side - case["sideways_rad"]))
        worst["speed_mps"] = max(worst["speed_mps"], abs(impact_speed - case["impact_speed_mps"]))
        worst["time_s"] = max(worst["time_s"], abs(time - case["time_s"]))

        inputs = {n: ufloat(*case["inputs"][n]) for n in names}
        own = correlated_values(case["mark_m"], case["own_cov_m2"])
        factors = [ufloat(0, 1) for _ in case["mark_shared_m"]]
        mark = [own[a] + sum(f * s[a] for f, s in zip(factors, case["mark_shared_m"])) for a in range(2)]
        speed = ufloat(case["speed_mps"], case["speed_own_u_mps"])
        args = [inputs[n] for n in names] + mark + [speed]
        for index, key in enumerate(["release", "sideways"]):
            # Differences of a solved root are good to about 1e-12; a step of 1e-4 of each input's
            # scale keeps four digits.
            scale = [max(abs(m), 1.0) * 1e-4 for m in means]

            def partial(i):
                def slope(*at):
                    up, down = list(at), list(at)
                    up[i] += scale[i]
                    down[i] -= scale[i]
                    return (answer(*up)[index] - answer(*down)[index]) / (2 * scale[i])
                return slope

            wrapped = uncertainties.wrap(lambda *at: answer(*at)[index], [partial(i) for i in range(len(means))])
            result = wrapped(*args)
            parts = result.error_components()
            total = math.sqrt(case[f"{key}_own_var"] + sum(s * s for s in case[f"{key}_shared"]))
            worst["u_relative"] = max(worst["u_relative"], abs(result.std_dev / total - 1))
            doubtful = case["names"][: len(case["names"]) - len(factors)]
            assert sorted(doubtful) == sorted(n for n in names if case["inputs"][n][1] > 0), case["names"]
            for variable, ours in zip([inputs[n] for n in doubtful] + factors, case[f"{key}_shared"]):
                off = abs(parts.get(variable, 0.0) - abs(ours)) / total
                worst["sensitivity"] = max(worst["sensitivity"], off)
    print(f"{len(cases)} cases; worst differences:")
    for name, value in worst.items():
        print(f"  {name:12} {value:.2e}" + (f"  (limit {LIMITS[name]:.0e})" if name in LIMITS else ""))
    failed = [name for name, limit in LIMITS.items() if not worst[name] <= limit]
    sys.exit(f"beyond the limit: {', '.join(failed)}" if failed else 0)


if __name__ == "__main__":
    main()
