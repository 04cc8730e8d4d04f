# Choose the reference frame of a filter set and link it to the anchor; see pipeline/pinning.py for how the choice lasts.


rule register_filter_set:
    input:
        anchor=out.anchor(),
        anchor_stars=held([out.stars(name) for name in graph.choice()["sessions"]]),
        measured=lambda wildcards: held(
            [out.measured(name) for name in graph.choice(wildcards.filter_set)["sessions"]], wildcards.filter_set
        ),
        stars=lambda wildcards: held(
            [out.stars(name) for name in graph.choice(wildcards.filter_set)["sessions"]], wildcards.filter_set
        ),
    output:
        link=out.link("{filter_set}"),
        record=out.qa("register_filter_set", "{filter_set}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.filter_set,
        settings=lambda wildcards: graph.settings_for(
            "register_filter_set", sessions=graph.choice(wildcards.filter_set)["sessions"]
        ),
        options=lambda wildcards: dict(sessions=graph.choice(wildcards.filter_set)["sessions"]),
        round=lambda wildcards: graph.choice(wildcards.filter_set)["round"],
        code=graph.code_for("register_filter_set"),
    log:
        out.log("register_filter_set", "{filter_set}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "register_filter_set {wildcards.filter_set}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/register_filter_set.py"
