# Choose the frame whose pixel grid all others are brought to; see pipeline/pinning.py for how the choice lasts.


rule anchor:
    input:
        measured=held([out.measured(name) for name in graph.choice()["sessions"]]),
        stars=held([out.stars(name) for name in graph.choice()["sessions"]]),
    output:
        anchor=out.anchor(),
        record=out.qa("anchor", "anchor"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: "anchor",
        settings=graph.settings_for("anchor", sessions=graph.choice()["sessions"]),
        options=dict(sessions=graph.choice()["sessions"]),
        round=graph.choice()["round"],
        code=graph.code_for("anchor"),
    log:
        out.log("anchor", "anchor"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "anchor"
    conda:
        ENVIRONMENT
    script:
        "../scripts/anchor.py"
