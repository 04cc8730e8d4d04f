# Turn the linear picture into one for the eye.


rule render:
    input:
        fused=out.fused(),
        flats=[out.flat(name) for name in graph.filter_sets],
    output:
        tiff=out.fused_tiff(),
        preview=out.preview(),
        comparison=out.comparison(),
        record=out.qa("render", "preview"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: "preview",
        settings=graph.settings_for("render"),
        options=dict(filter_sets=graph.filter_sets),
        code=graph.code_for("render"),
    log:
        out.log("render", "preview"),
    threads: 2
    resources:
        mem_mb=MEMORY_MB,
    message:
        "render"
    conda:
        ENVIRONMENT
    script:
        "../scripts/render.py"
