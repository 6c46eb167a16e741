"""linkloss runs a home-built car's CAN nodes on a simulated wire, breaks things, and judges
whether every load went where it must.

    from bench import check, load_scenario, load_vehicle, run

    vehicle = load_vehicle("scenarios/wren/vehicle.toml")
    report = check(vehicle)
    result = run(load_scenario("scenarios/wren/tail_cable_pulled.toml"))
"""
